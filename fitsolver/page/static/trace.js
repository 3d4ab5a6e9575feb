// Traces an opening on a photograph. The photograph is decoded and drawn in this browser alone; to
// the server go only the points, in millimetres, and it answers with the smooth curve through them.
//
// It works on every <div data-trace data-endpoint=ADDRESS> that holds a textarea of "x y" lines in
// mm (data-part="points") and, hidden until this runs, the desk with its parts. Fields of the form
// around it go along with the points. All words come from the page.
"use strict";
(() => {
  const MOST_BYTES = 60e6, MOST_PIXELS = 50e6, LONG_SIDE = 2600, FEWEST = 12;
  const REACH = 22; // how near a finger must come to a point [CSS pixels]
  const CLICK_PX = 2; // how well an end of the known length is clicked [pixels of the board]
  const BLANK = { width: 1200, height: 900, scale: 60 }; // a board without a photograph
  const SVG = "http://www.w3.org/2000/svg";

  // Width and height from the head of a PNG or JPEG, so that a bomb is refused before it is opened.
  async function headSize(file) {
    const view = new DataView(await file.slice(0, 512 * 1024).arrayBuffer());
    if (view.byteLength > 24 && view.getUint32(0) === 0x89504e47) {
      return [view.getUint32(16), view.getUint32(20)];
    }
    if (view.byteLength > 4 && view.getUint16(0) === 0xffd8) {
      for (let at = 2; at + 9 < view.byteLength;) {
        if (view.getUint8(at) !== 0xff) { at += 1; continue; }
        const mark = view.getUint8(at + 1);
        if (mark >= 0xc0 && mark <= 0xcf && ![0xc4, 0xc8, 0xcc].includes(mark)) {
          return [view.getUint16(at + 7), view.getUint16(at + 5)];
        }
        at += mark === 0xff ? 1 : 2 + (mark >= 0xd0 && mark <= 0xd9 ? 0 : view.getUint16(at + 2));
      }
    }
    return null;
  }

  const number = (text) => {
    const plain = text.trim().replace(/\s*mm$/i, "").replace("−", "-");
    return /^[-+]?(\d+[.,]?\d*|[.,]\d+)$/.test(plain) ? Number(plain.replace(",", ".")) : NaN;
  };
  const far = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);

  function start(root) {
    const part = (name) => root.querySelector(`[data-part="${name}"]`);
    const word = (name, values = {}) => {
      const text = root.querySelector(`[data-word="${name}"]`)?.textContent ?? "";
      return text.replace(/\{(\w+)\}/g, (_, key) => values[key] ?? "");
    };
    const text = part("points"), stage = part("stage"), inner = part("inner"), canvas = part("canvas");
    const lens = part("lens"), form = text.form, paper = canvas.getContext("2d");
    const board = document.createElementNS(SVG, "svg");
    board.setAttribute("aria-hidden", "true");
    board.setAttribute("class", "trace-board");
    inner.append(board);
    const layers = {};
    for (const [name, kind] of [["ring", "polygon"], ["curve", "polygon"], ["known", "line"], ["marks", "g"]]) {
      layers[name] = document.createElementNS(SVG, kind);
      layers[name].setAttribute("class", `trace-${name}`);
      board.append(layers[name]);
    }

    // `points` and `known` in pixels of the board; `scale` pixels to the mm, 0 while unknown.
    let points = [], known = [], scale = 0, chosen = -1, photo = false, zoom = 1, curve = [];
    let past = [], drag = null, waiting = 0, asked = 0;

    const mode = () => root.querySelector('[data-part="mode"]:checked')?.value ?? "points";
    const set = () => (mode() === "known" ? known : points);
    const say = (message) => { part("said").textContent = message; };
    const inMm = ([x, y]) => [x / scale, (canvas.height - y) / scale];
    const inPixels = ([x, y]) => [x * scale, canvas.height - y * scale];
    const cssScale = () => board.getBoundingClientRect().width / canvas.width || 1;
    const keep = () => {
      past.push(JSON.stringify([points, known]));
      past = past.slice(-200);
    };

    function size(width, height) {
      canvas.width = width;
      canvas.height = height;
      board.setAttribute("viewBox", `0 0 ${width} ${height}`);
      paper.clearRect(0, 0, width, height);
    }

    function rescale() {
      const length = number(part("length").value);
      if (!photo) return;
      const apart = known.length === 2 ? far(...known) : 0;
      scale = length > 0 && length < 500 && apart > 10 ? apart / length : 0;
      const doubt = part("scale_u");
      if (scale && doubt && doubt.dataset.typed !== "yes") {
        // Two ends clicked, and the rule a little nearer to the lens than the edge or further off.
        doubt.value = Math.hypot(0.5, (100 * CLICK_PX * Math.SQRT2) / apart).toFixed(2);
      }
    }

    function draw() {
      const unit = 1 / cssScale();
      const at = (list) => list.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
      layers.ring.setAttribute("points", at(points));
      layers.curve.setAttribute("points", scale ? at(curve.map(inPixels)) : "");
      for (const [name, [k, axis]] of Object.entries({ x1: [0, 0], y1: [0, 1], x2: [1, 0], y2: [1, 1] })) {
        layers.known.setAttribute(name, known[Math.min(k, known.length - 1)]?.[axis] ?? 0);
      }
      layers.known.classList.toggle("none", known.length < 2);
      const marks = [];
      for (const [list, kind] of [[points, "point"], [known, "end"]]) {
        list.forEach(([x, y], k) => {
          const mark = document.createElementNS(SVG, "circle");
          const picked = list === set() && k === chosen;
          mark.setAttribute("class", `trace-${kind}${picked ? " chosen" : ""}`);
          mark.setAttribute("cx", x);
          mark.setAttribute("cy", y);
          mark.setAttribute("r", (picked ? 7 : 4.5) * unit);
          marks.push(mark);
        });
      }
      layers.marks.replaceChildren(...marks);
      part("count").textContent = String(points.length);
      part("scale").textContent = scale ? `${scale.toFixed(1)}` : "–";
      part("undo").disabled = !past.length;
      part("delete").disabled = chosen < 0;
    }

    function changed() {
      rescale();
      if (scale) {
        const lines = points.map((p) => inMm(p).map((v) => v.toFixed(3)).join(" "));
        text.value = lines.join("\n");
      }
      draw();
      look();
    }

    function look() {
      clearTimeout(waiting);
      waiting = setTimeout(async () => {
        const turn = ++asked;
        if (points.length && !scale) { told({ curve: [], faults: [word("no_scale")] }); return; }
        if (points.length < FEWEST) { told({ curve: [], faults: [] }); return; }
        try {
          const answer = await fetch(root.dataset.endpoint, {
            method: "POST", body: new URLSearchParams(new FormData(form)), credentials: "same-origin",
          });
          const found = answer.ok ? await answer.json() : { curve: [], faults: [word("no_answer")] };
          if (turn === asked) told(found);
        } catch {
          if (turn === asked) told({ curve: [], faults: [word("no_answer")] });
        }
      }, 200);
    }

    function told(found) {
      curve = found.curve;
      const shown = (value) => (typeof value === "number" ? value.toFixed(3) : "–");
      part("residual").textContent = shown(found.residual_u_mm);
      part("used").textContent = shown(found.u_mm);
      part("size").textContent = found.size_mm ? found.size_mm.map((v) => v.toFixed(2)).join(" × ") : "–";
      part("furthest").textContent = found.furthest ? word("furthest", {
        number: found.furthest.number, mm: found.furthest.mm.toFixed(2),
      }) : "–";
      part("faults").replaceChildren(...found.faults.map((fault) => {
        const item = document.createElement("li");
        item.textContent = fault;
        return item;
      }));
      const turn = part("turn_by");
      turn.hidden = typeof found.turn_deg !== "number";
      turn.dataset.turn = turn.hidden ? "" : String(found.turn_deg);
      if (!turn.hidden) turn.textContent = word("turn_by", { deg: found.turn_deg });
      draw();
    }

    // A new point goes where it lengthens the way round least: behind the last one, as a rule.
    function insertAt(p) {
      if (points.length < 3) return points.length;
      let best = points.length, least = Infinity;
      points.forEach((a, k) => {
        const b = points[(k + 1) % points.length];
        const more = far(a, p) + far(p, b) - far(a, b);
        if (more < least - 1e-9) { least = more; best = k + 1; }
      });
      return best;
    }

    function put(p) {
      keep();
      if (mode() === "known") {
        if (known.length === 2) known = [];
        known.push(p);
        chosen = known.length - 1;
        changed();
        say(word(known.length < 2 ? "other_end" : scale ? "scaled" : "type_length"));
      } else {
        chosen = insertAt(p);
        points.splice(chosen, 0, p);
        changed();
        where();
      }
    }

    function where() {
      const list = set();
      if (chosen < 0 || !list[chosen]) return;
      const [x, y] = scale ? inMm(list[chosen]).map((v) => v.toFixed(2)) : list[chosen].map((v) => v.toFixed(0));
      say(word(scale ? "at" : "at_pixels", { number: chosen + 1, count: list.length, x, y }));
    }

    function remove() {
      const list = set();
      if (chosen < 0 || !list.length) return;
      keep();
      list.splice(chosen, 1);
      chosen = Math.min(chosen, list.length - 1);
      changed();
      say(word("removed", { count: list.length }));
    }

    function undo() {
      if (!past.length) return;
      [points, known] = JSON.parse(past.pop());
      chosen = -1;
      changed();
      say(word("undone"));
    }

    const placeOf = (event) => {
      const box = board.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * canvas.width;
      const y = ((event.clientY - box.top) / box.height) * canvas.height;
      return [Math.min(Math.max(x, 0), canvas.width), Math.min(Math.max(y, 0), canvas.height)];
    };
    const nearest = (p) => {
      let best = -1, least = REACH / cssScale();
      set().forEach((each, k) => { if (far(each, p) < least) { least = far(each, p); best = k; } });
      return best;
    };

    function magnify(p) {
      lens.hidden = false;
      const glass = lens.getContext("2d"), wide = lens.width, show = wide / (3 * cssScale());
      glass.fillStyle = getComputedStyle(lens).backgroundColor;
      glass.fillRect(0, 0, wide, wide);
      glass.drawImage(canvas, p[0] - show / 2, p[1] - show / 2, show, show, 0, 0, wide, wide);
      glass.strokeStyle = getComputedStyle(lens).color;
      glass.beginPath();
      glass.moveTo(wide / 2, 0); glass.lineTo(wide / 2, wide);
      glass.moveTo(0, wide / 2); glass.lineTo(wide, wide / 2);
      glass.stroke();
      // Out of the way of the finger.
      const box = stage.getBoundingClientRect(), at = board.getBoundingClientRect();
      const left = at.left + p[0] * cssScale() - box.left < box.width / 2;
      lens.classList.toggle("right", left);
    }

    board.addEventListener("pointerdown", (event) => {
      if (event.button > 0) return;
      const p = placeOf(event), k = nearest(p);
      if (k < 0) return;
      event.preventDefault();
      stage.focus({ preventScroll: true });
      board.setPointerCapture(event.pointerId);
      chosen = k;
      const from = set()[k];
      drag = { k, off: [from[0] - p[0], from[1] - p[1]], begun: p, moved: false };
      magnify(from);
      draw();
    });
    board.addEventListener("pointermove", (event) => {
      if (!drag) return;
      const p = placeOf(event);
      if (!drag.moved && far(p, drag.begun) < 3 / cssScale()) return;
      if (!drag.moved) keep();
      drag.moved = true;
      set()[drag.k] = [p[0] + drag.off[0], p[1] + drag.off[1]];
      magnify(set()[drag.k]);
      draw();
    });
    const drop = () => {
      if (!drag) return;
      const moved = drag.moved;
      drag = null;
      lens.hidden = true;
      if (moved) changed();
      where();
      // The click that follows is not one for a new point.
      board.dataset.held = "yes";
      setTimeout(() => { delete board.dataset.held; }, 0);
    };
    board.addEventListener("pointerup", drop);
    board.addEventListener("pointercancel", drop);
    // On a touch screen a finger on a point drags it; anywhere else it moves the picture.
    board.addEventListener("touchstart", (event) => {
      if (event.touches.length === 1 && nearest(placeOf(event.touches[0])) >= 0) event.preventDefault();
    }, { passive: false });
    board.addEventListener("click", (event) => {
      if (board.dataset.held) return;
      put(placeOf(event));
    });

    stage.addEventListener("keydown", (event) => {
      const list = set(), step = (event.shiftKey ? 10 : 1) / cssScale();
      const ways = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
      if (ways[event.key] && list[chosen]) {
        keep();
        list[chosen] = [list[chosen][0] + ways[event.key][0] * step, list[chosen][1] + ways[event.key][1] * step];
        changed();
        where();
      } else if ((event.key === "PageDown" || event.key === "PageUp") && list.length) {
        chosen = (chosen + (event.key === "PageDown" ? 1 : -1) + list.length) % list.length;
        draw();
        where();
      } else if (event.key === "Enter") {
        const a = list[chosen], b = list[(chosen + 1) % list.length];
        const middle = [canvas.width / 2, canvas.height / 2];
        put(a && b && a !== b ? [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] : a ? [a[0] + 20 * step, a[1]] : middle);
      } else if (event.key === "Delete" || event.key === "Backspace") {
        remove();
      } else if (event.key.toLowerCase() === "z" && (event.ctrlKey || event.metaKey)) {
        undo();
      } else {
        return;
      }
      event.preventDefault();
    });

    async function open(file) {
      if (file.size > MOST_BYTES) { say(word("too_heavy")); return; }
      const stated = await headSize(file).catch(() => null);
      if (stated && stated[0] * stated[1] > MOST_PIXELS) { say(word("too_large")); return; }
      const address = URL.createObjectURL(file), image = new Image();
      try {
        image.src = address;
        await image.decode();
        if (image.naturalWidth * image.naturalHeight > MOST_PIXELS) { say(word("too_large")); return; }
        const less = Math.min(1, LONG_SIDE / Math.max(image.naturalWidth, image.naturalHeight));
        size(Math.round(image.naturalWidth * less), Math.round(image.naturalHeight * less));
        paper.drawImage(image, 0, 0, canvas.width, canvas.height);
        photo = true;
        points = []; known = []; past = []; curve = []; chosen = -1; scale = 0;
        root.querySelector('[data-part="mode"][value="known"]').checked = true;
        stage.hidden = false;
        changed();
        say(word("opened"));
      } catch {
        say(word("no_picture"));
      } finally {
        URL.revokeObjectURL(address);
      }
    }

    // Points that were typed or kept: on the photograph if its scale is known, else on blank paper.
    function typed() {
      const found = text.value.split("\n").map((line) => line.trim()).filter(Boolean)
        .map((line) => (line.includes(";") ? line.split(";") : line.split(/\s+/)).map((v) => number(v.replace(/,$/, ""))))
        .filter((p) => p.length === 2 && p.every(Number.isFinite));
      if (!photo && found.length) {
        const [xs, ys] = [0, 1].map((axis) => found.map((p) => p[axis]));
        const reach = Math.max(Math.max(...xs), Math.max(...ys), 1) * 1.05;
        size(BLANK.width, BLANK.height);
        scale = Math.min(BLANK.width, BLANK.height) / reach;
        stage.hidden = false;
      }
      if (scale) points = found.map(inPixels);
      chosen = -1;
      draw();
      look();
    }

    part("photo").addEventListener("change", (event) => {
      const [file] = event.target.files;
      event.target.value = ""; // never part of a form that is sent
      if (file) open(file);
    });
    part("length").addEventListener("input", changed);
    part("scale_u")?.addEventListener("input", (event) => { event.target.dataset.typed = "yes"; });
    part("undo").addEventListener("click", undo);
    part("delete").addEventListener("click", remove);
    for (const each of root.querySelectorAll('[data-part="mode"]')) {
      each.addEventListener("change", () => { chosen = -1; draw(); });
    }
    for (const [name, by] of [["nearer", 1.5], ["further", 1 / 1.5]]) {
      part(name).addEventListener("click", () => {
        zoom = Math.min(Math.max(zoom * by, 1), 6);
        inner.style.setProperty("width", `${100 * zoom}%`);
        draw();
      });
    }
    part("turn_by").addEventListener("click", (event) => {
      part("turn").value = event.currentTarget.dataset.turn;
      look();
    });
    text.addEventListener("change", () => { keep(); typed(); });
    for (const name of ["u", "scale_u", "turn"]) part(name)?.addEventListener("change", look);
    addEventListener("resize", draw);

    size(BLANK.width, BLANK.height);
    stage.hidden = true;
    part("desk").hidden = false;
    if (part("scale_u")?.value) part("scale_u").dataset.typed = "yes";
    typed();
  }

  document.querySelectorAll("[data-trace]").forEach(start);
})();
