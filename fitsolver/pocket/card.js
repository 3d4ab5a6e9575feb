"use strict";
/* Looks stones up in the tables that the solver has filled. It knows no seat and no solid. */

const numbers = JSON.parse(document.getElementById("numbers").textContent);

/* Tables */

function unpacked(text, kind, step) {
  const raw = atob(text), bytes = new Uint8Array(raw.length);
  for (let k = 0; k < raw.length; k++) bytes[k] = raw.charCodeAt(k);
  if (kind === "i16") {
    const view = new DataView(bytes.buffer);
    return Float64Array.from({ length: bytes.length / 2 }, (_, k) => view.getInt16(2 * k, true) * step);
  }
  const whole = kind === "i8" ? new Int8Array(bytes.buffer) : bytes;
  return Float64Array.from(whole, (value) => value * step);
}

for (const cut of numbers.cuts) {
  cut.z = unpacked(cut.z, "i8", numbers.z_step);
  cut.margin = unpacked(cut.margin, "i16", numbers.margin_step);
  cut.u = unpacked(cut.u, "u8", numbers.u_step);
  cut.direction = unpacked(cut.direction, "u8", numbers.direction_step);
}

/* The cell of rising knots that x is in, and how far along it. */
function cell(knots, x) {
  let k = 0;
  while (k < knots.length - 2 && x >= knots[k + 1]) k++;
  return [k, (x - knots[k]) / (knots[k + 1] - knots[k])];
}

function straight(knots, value, x) {
  const [k, t] = cell(knots, x);
  return t === 0 ? value(k) : value(k) * (1 - t) + value(k + 1) * t;
}

/* Monotone cubic through knots (Fritsch and Butland 1984): it never overshoots a value. */
function smooth(knots, value, x) {
  const [k, t] = cell(knots, x), n = knots.length;
  const first = Math.max(0, k - 1), last = Math.min(n - 1, k + 2), at = {};
  for (let i = first; i <= last; i++) at[i] = value(i);
  const step = (i) => knots[i + 1] - knots[i], rise = (i) => (at[i + 1] - at[i]) / step(i);
  function slope(i) {
    if (i > 0 && i < n - 1) {
      const a = rise(i - 1), b = rise(i);
      if (a * b <= 0) return 0;
      const p = 2 * step(i) + step(i - 1), q = step(i) + 2 * step(i - 1);
      return (p + q) / (p / a + q / b);
    }
    const near = i === 0 ? 0 : n - 2;
    if (n === 2) return rise(near);
    const next = i === 0 ? 1 : n - 3, h = step(near), g = step(next);
    const m = rise(near), o = rise(next), s = ((2 * h + g) * m - h * o) / (h + g);
    if (s * m <= 0) return 0;
    return m * o <= 0 && Math.abs(s) > 3 * Math.abs(m) ? 3 * m : s;
  }
  if (t === 0) return at[k];
  const h = step(k), u = 1 - t;
  return at[k] * u * u * (1 + 2 * t) + at[k + 1] * t * t * (3 - 2 * t)
    + h * t * u * (u * slope(k) - t * slope(k + 1));
}

/* Standard normal distribution; Abramowitz and Stegun 7.1.26, within 1e-7. */
function normal(z) {
  const x = Math.abs(z) / Math.SQRT2, t = 1 / (1 + 0.3275911 * x);
  const tail = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741
    + t * (-1.453152027 + t * 1.061405429)))) * Math.exp(-x * x) / 2;
  return z < 0 ? tail : 1 - tail;
}

function chance(cut, which, excess, width, depth) {
  const [, w, d] = [cut.excess.length, cut.width.length, cut.depth.length];
  const base = which * cut.excess.length * w * d;
  return normal(smooth(cut.excess, (i) => smooth(cut.width, (j) => straight(cut.depth,
    (k) => cut.z[base + (i * w + j) * d + k], depth), width), excess));
}

function margins(cut, excess, width, depth) {
  const [y, w, d] = [cut.margin_excess, cut.margin_width, cut.margin_depth], r = cut.names.length;
  const [i, s] = cell(y, excess), [j, t] = cell(w, width);
  const near = ((i + (s > 0.5 ? 1 : 0)) * w.length + j + (t > 0.5 ? 1 : 0)) * r;
  return cut.names.map((name, n) => {
    const margin = straight(y, (a) => straight(w, (b) => straight(d,
      (c) => cut.margin[((a * w.length + b) * d.length + c) * r + n], depth), width), excess);
    const u = Math.max(straight(y, (a) => straight(w, (b) => cut.u[(a * w.length + b) * r + n],
      width), excess), 0.001);
    const where = cut.direction[near + n];
    return {
      name, margin, u, holds: Math.round(512 * normal(margin / u)) / 512,
      direction: where > 360 ? null : where % 360,
    };
  });
}

function verdictOf(asIs, after) {
  if (asIs >= numbers.seats_from) return "seats";
  if (after >= numbers.seats_from) return "seats after alteration";
  return after <= numbers.fails_to ? "does not seat" : "not decided";
}

/* What the tables do not hold of a stone, in words; empty if they hold it. */
function beyond(cut, length, width, depth) {
  const ratio = length / width, edge = 0.005;
  if (ratio < cut.low - 0.02 || ratio > cut.high + 0.02) {
    const end = ratio < cut.low ? cut.low : cut.high;
    return `this cut is ${two(cut.low)} to ${two(cut.high)} times as long as wide, the stone `
      + `${two(ratio)}; the nearest length is ${two(end * width)} mm`;
  }
  if (width < cut.width[0] - edge || width > cut.width.at(-1) + edge) {
    return reach("widths", cut.width[0], cut.width.at(-1), width);
  }
  const excess = held(cut, length, width);
  if (excess < cut.excess[0] - edge || excess > cut.excess.at(-1) + edge) {
    const more = cut.usual * width;
    return reach("lengths", cut.excess[0] + more, cut.excess.at(-1) + more, length);
  }
  if (depth !== null && (depth < cut.depth[0] - edge || depth > cut.depth.at(-1) + edge)) {
    return reach("depths", cut.depth[0], cut.depth.at(-1), depth);
  }
  return "";
}

function reach(what, low, high, value) {
  return `it knows ${what} from ${two(low)} to ${two(high)} mm; the nearest is ${two(value < low ? low : high)} mm`;
}

/* A stone's excess of length; a hair outside the cut's ratios it is held at their end. */
function held(cut, length, width) {
  return Math.min(Math.max(length, cut.low * width), cut.high * width) - cut.usual * width;
}

function weightOf(cut, length, width, depth) {
  const { ratio, share, width: wide, coefficient, u } = cut.weight;
  const look = (values) => smooth(ratio, (a) => smooth(share, (b) => smooth(wide,
    (c) => values[(a * share.length + b) * wide.length + c], width), depth / width), Math.max(length / width, cut.low));
  const value = look(coefficient) / 1000 * length * width * depth, part = look(u) / 100;
  const factor = Math.exp(1.959963984540054 * part);
  return { value, part, low: value / factor, high: value * factor };
}

/* Does a stated weight agree with size and material? As `consistency` does it. */
function agreement(estimate, stated) {
  const stuff = numbers.material, reading = 0.005 / Math.sqrt(3);
  const density = stated / (estimate.value / stuff.density);
  const shape = Math.sqrt(Math.max(estimate.part ** 2 - (stuff.u / stuff.density) ** 2, 0));
  const u = density * Math.hypot(shape, reading / stated);
  const apart = Math.max(stuff.low - density, density - stuff.high, 0) / u;
  return { density, u, apart, agrees: apart <= 2 };
}

/* As documents write it: cut off at the point, rounded up only from a nine. */
function documentWeight(carats) {
  const thousandths = Math.floor(Math.round(carats * 1e6) / 1000);
  return (Math.floor(thousandths / 10) + (thousandths % 10 === 9 ? 1 : 0)) / 100;
}

/* Judge one stone: name of its cut, sizes in mm (depth may be null), stated carats and price or null. */
function judgeStone(name, length, width, depth, stated = null, price = null) {
  const cut = numbers.cuts.find((one) => one.name === name);
  const found = { cut, length, width, depth, turned: false, stated, price };
  if (cut.low >= 1 && length / width < cut.low - 0.02) {
    [found.length, found.width] = [width, length];
    found.turned = true;
  }
  found.outside = beyond(cut, found.length, found.width, depth);
  if (found.outside) return found;
  const wide = Math.min(Math.max(found.width, cut.width[0]), cut.width.at(-1));
  const excess = Math.min(Math.max(held(cut, found.length, wide), cut.excess[0]), cut.excess.at(-1));
  if (depth === null) {
    found.depths = depthsThatHold(cut, excess, wide);
    return found;
  }
  const deep = Math.min(Math.max(depth, cut.depth[0]), cut.depth.at(-1));
  found.probability = chance(cut, 0, excess, wide, deep);
  found.after = Math.max(found.probability, chance(cut, 1, excess, wide, deep));
  found.verdict = cut.loose ? "does not seat" : verdictOf(found.probability, found.after);
  found.needs = margins(cut, excess, wide, deep).sort((a, b) => a.holds - b.holds || a.margin - b.margin);
  found.tightest = found.needs[0];
  found.close = !cut.loose && (Math.abs(found.probability - numbers.seats_from) < 0.03
    || Math.abs(found.after - numbers.seats_from) < 0.05 || Math.abs(found.after - numbers.fails_to) < 0.05);
  found.weight = weightOf(cut, found.length, found.width, depth);
  if (stated !== null) found.agreement = agreement(found.weight, stated);
  found.carats = documentWeight(stated !== null ? stated : found.weight.value);
  if (price !== null) found.perCarat = price / found.carats;
  if (numbers.money) {
    found.ceiling = numbers.money.left / found.carats;
    found.quoted = cut.brackets.find((one) => one.from <= found.carats
      && (one.below === null || found.carats < one.below)) || null;
  }
  return found;
}

/* Stretches of depth with the best verdict that any depth has: {verdict, spans}. */
function depthsThatHold(cut, excess, width) {
  if (cut.loose) return { verdict: "does not seat", spans: [] };
  const low = cut.depth[0], high = cut.depth.at(-1), steps = 240, said = [];
  for (let k = 0; k <= steps; k++) {
    const depth = low + (high - low) * k / steps, asIs = chance(cut, 0, excess, width, depth);
    said.push([depth, verdictOf(asIs, Math.max(asIs, chance(cut, 1, excess, width, depth)))]);
  }
  for (const verdict of ["seats", "seats after alteration", "not decided"]) {
    const spans = [];
    let open = null;
    for (const [depth, one] of said) {
      if (one === verdict && open) open[1] = depth;
      else if (one === verdict) spans.push(open = [depth, depth]);
      else open = null;
    }
    if (spans.length) {
      const ends = spans.map(([a, b]) => [Math.ceil(a * 100 - 1e-6) / 100, Math.floor(b * 100 + 1e-6) / 100]);
      return { verdict, spans: ends.filter(([a, b]) => b >= a) };
    }
  }
  return { verdict: "does not seat", spans: [] };
}

/* Words */

const MARKS = { "seats": "yes", "seats after alteration": "work", "not decided": "open", "does not seat": "no" };
const SIDES = ["right", "upper right", "top", "upper left", "left", "lower left", "bottom", "lower right"];
const SIZES = ["length", "width", "depth"];

function two(value) { return value.toFixed(2).replace(/^-(0\.00)$/, "$1"); }
function capital(text) { return text.charAt(0).toUpperCase() + text.slice(1); }
function perCent(share) {
  return share > 0.995 ? ">99 %" : share < 0.005 ? "<1 %" : `${Math.round(100 * share)} %`;
}
function amount(value) {
  const text = (Math.floor(value * 100 + 1e-6) / 100).toFixed(2).replace(/\.00$/, "");
  const unit = numbers.money ? numbers.money.currency : "";
  if (!unit) return text;
  return numbers.money.first ? `${unit} ${text}` : `${text} ${unit}`;
}
function whereIs(direction) {
  return `at ${Math.round(direction)}°, ${SIDES[Math.round(direction / 45) % 8]} of the plan`;
}

/* A number as people type it: one comma or point is the decimal sign. NaN if it is none. */
function typed(text, unit) {
  const bare = text.trim().replace(new RegExp(`\\s*${unit}\\.?$`, "i"), "").replace(/[\s\u00a0\u202f'’]/g, "");
  return /^\d+([.,]\d*)?$|^[.,]\d+$/.test(bare) ? Number(bare.replace(",", ".")) : NaN;
}

/* A price as people type it, the currency before or behind: {value, fault}. */
function typedPrice(text) {
  const own = numbers.money ? numbers.money.currency : "", code = /^[A-Z]{3}$/;
  const parts = text.trim().replace(/[.,]?[-–]+$/, "").match(/^([^\d\s.,'’-][^\d\s,'’-]*)?\s*([\d.,].*?)\s*([^\d\s.,'’-][^\d\s,'’-]*)?$/);
  const said = parts ? [parts[1], parts[3]].filter(Boolean) : [], word = said.length ? said[0].toUpperCase() : "";
  const plain = { value: NaN, fault: "Type a number, as 1500 or 1500,50" };
  if (!parts || said.length > 1 || said.some((one) => one !== own && !/^(\p{L}{2,}\.?|\p{L}*\p{Sc})$/u.test(one))) return plain;
  if (code.test(own) && code.test(word) && word !== own) return { value: NaN, fault: `This card reckons in ${own}` };
  if (/^\d{1,3}([.,]\d{3})+$/.test(parts[2])) return { value: NaN, fault: `Could be read in two ways: write ${Number(parts[2].replace(/[.,]/g, ""))}` };
  return { ...plain, value: typed(parts[2], "") };
}

function made(tag, options = {}, ...inside) {
  const { className, ...rest } = options, node = document.createElement(tag);
  if (className) node.className = className;
  for (const [key, value] of Object.entries(rest)) node.setAttribute(key, value);
  node.append(...inside);
  return node;
}

function sign(mark) {
  const space = "http://www.w3.org/2000/svg", icon = document.createElementNS(space, "svg");
  const use = document.createElementNS(space, "use");
  icon.setAttribute("class", "sign");
  icon.setAttribute("viewBox", "0 0 24 24");
  icon.setAttribute("aria-hidden", "true");
  use.setAttribute("href", `#sign-${mark}`);
  icon.append(use);
  return icon;
}

const LOOSE = ["Held", "judged at the size of this cut that fits best; have another size judged at the desk"];

/* The answer to one stone: {mark, head, chance, rows: [[what, said]]}. */
function told(found) {
  const rows = [];
  const turned = found.turned ? [["Read as", `${two(found.length)} long and ${two(found.width)} wide: the longer side is the length`]] : [];
  if (found.outside) {
    return { mark: "out", head: "Outside what this card knows", chance: `${capital(found.outside)}.`,
      rows: [...turned, ["Do", "judge the stone at the desk"]] };
  }
  const loose = found.cut.loose;
  if (found.depth === null && loose) {
    return { mark: "no", head: `Does not seat: ${loose}`, chance: "No depth helps", rows: [...turned, LOOSE] };
  }
  if (found.depth === null) {
    const { verdict, spans } = found.depths;
    const list = spans.map(([a, b]) => (a === b ? two(a) : `${two(a)} to ${two(b)}`)).join(", ");
    const says = { "seats": "Depths that seat", "seats after alteration": "Depths that seat after alteration",
      "not decided": "No depth is sure", "does not seat": "No depth seats" };
    if (spans.length) {
      const ends = [spans[0][0], spans.at(-1)[1]].map((deep) => weightOf(found.cut, found.length, found.width, deep));
      rows.push(["Depth", verdict === "not decided" ? `nearest to it: ${list} mm` : `${list} mm`]);
      rows.push(["Weight", `about ${two(documentWeight(ends[0].value))} to ${two(documentWeight(ends[1].value))} ct there`]);
    }
    return { mark: MARKS[verdict], head: says[verdict], chance: "Measure the depth and type it for the judgement.", rows: [...turned, ...rows] };
  }
  const tight = found.tightest, need = numbers.needs[tight.name];
  const size = `${two(Math.abs(tight.margin))} ± ${two(tight.u)} mm ${tight.margin >= 0 ? "to spare" : "short"}`;
  const place = tight.direction === null ? "at no single place" : whereIs(tight.direction);
  rows.push(["Tightest", `${tight.name}, ${size}, ${place}: ${tight.margin >= 0 ? need.holds : need.fails}`]);
  if (found.verdict === "seats after alteration") {
    const limit = (one) => found.cut.limits[found.cut.names.indexOf(one.name)];
    const work = found.needs.filter((one) => limit(one) >= 0.005 && one.margin < 1.645 * one.u);
    const lines = work.map((one) => {
      const about = Math.min(Math.max(0, -one.margin), limit(one)), most = Math.min(limit(one), 1.645 * one.u - one.margin);
      return `${numbers.needs[one.name].work}, ${about >= 0.005 ? `about ${two(about)} mm` : "perhaps"}, at most ${two(most)} mm`;
    });
    if (lines.length) {
      rows.push(["Bench", lines.join("; ")]);
      rows.push(["Mind", [...new Set(work.map((one) => numbers.needs[one.name].mind))].filter(Boolean).join("; ")]);
    }
  }
  if (found.close) rows.push(["Close", "the verdict turns within a caliper’s error here: measure again, or ask the desk"]);
  const { value, low, high } = found.weight;
  rows.push(["Weight", `about ${two(documentWeight(value))} ct (${two(Math.floor(low * 100) / 100)} to ${two(Math.ceil(high * 100) / 100)})`]);
  if (found.agreement) {
    const { agrees, density, u } = found.agreement, { name, low: light, high: heavy } = numbers.material;
    const over = Math.round(100 * (found.stated / value - 1));
    const off = `${two(found.stated)} ct is ${Math.abs(over)} % ${over >= 0 ? "more" : "less"} than estimated`;
    rows.push(["Stated", agrees
      ? `${off}: agrees with ${name}. That identifies nothing`
      : `${off}: does NOT agree with ${name} of this size (density ${two(density)} ± ${two(u)}, not ${two(light)} to ${two(heavy)}). Weigh and measure again; ask for a laboratory`]);
  }
  if (found.perCarat !== undefined) {
    const basis = found.stated !== null ? "by the stated weight" : "by the estimated weight";
    rows.push(["Price", `${amount(found.perCarat)} per carat, ${basis}`]);
  }
  if (found.ceiling !== undefined) {
    let line = `${amount(found.ceiling)} per carat at ${two(found.carats)} ct`;
    if (found.perCarat !== undefined) {
      const over = found.price - numbers.money.left;
      line += over > 0.005 ? `: OVER by ${amount(over)} in all` : `: within it, ${amount(-over)} left`;
    }
    rows.push(["Ceiling", line]);
    if (found.quoted) {
      const { low: cheap, high: dear } = found.quoted;
      rows.push(["Quoted", `${cheap === dear ? amount(cheap) : `${amount(cheap)} to ${amount(dear)}`} per carat at this weight`]);
    }
  }
  const after = found.after - found.probability >= 0.005 ? `, ${perCent(found.after)} after alteration` : "";
  if (loose) {
    return { mark: "no", head: `Does not seat: ${loose}`, chance: `${perCent(found.probability)} that its size fits, but the claws do not hold it`, rows: [...turned, LOOSE, ...rows] };
  }
  return { mark: MARKS[found.verdict], head: capital(found.verdict), chance: `${perCent(found.probability)} as the seat is${after}`, rows: [...turned, ...rows] };
}

/* The page */

const at = (id) => document.getElementById(id);
const FIELDS = ["length", "width", "depth", "weight", "price"];
const KEY = `fitsolver-card-${document.body.dataset.own}`;
let stones = [], undone = null, latest = null, saying = 0;

function remember() {
  const fields = Object.fromEntries([...FIELDS, "cut", "note"].map((id) => [id, at(id).value]));
  try {
    localStorage.setItem(KEY, JSON.stringify({ fields, stones }));
    at("memory").textContent = "What is typed stays on this phone.";
  } catch {
    at("memory").textContent = "This browser keeps nothing from a file: copy the list out before you leave.";
  }
}

function recall() {
  try {
    const kept = JSON.parse(localStorage.getItem(KEY) || "{}");
    for (const [id, value] of Object.entries(kept.fields || {})) if (at(id) && typeof value === "string") at(id).value = value;
    if (Array.isArray(kept.stones)) stones = kept.stones.filter((one) => one && typeof one.cut === "string");
  } catch { /* nothing was kept, or it may not be read: start empty */ }
  if (!at("cut").value) at("cut").selectedIndex = 0;
}

/* What is typed: numbers by field, null where empty; faults are shown beside their field. */
function read() {
  const values = {};
  let sound = true;
  for (const id of FIELDS) {
    const field = at(id), text = field.value.trim(), size = SIZES.includes(id);
    const price = id === "price" ? typedPrice(text) : null;
    const value = text === "" ? null : price ? price.value : typed(text, size ? "mm" : "ct");
    let fault = "";
    if (value !== null && Number.isNaN(value)) fault = price ? price.fault : "Type a number, as 6.5 or 6,5";
    else if (value !== null && size && (value < 0.5 || value > 100)) fault = "0.5 to 100 mm";
    else if (value !== null && !size && value <= 0) fault = "More than 0";
    else if (id === "weight" && value !== null && documentWeight(value) <= 0) fault = "At least 0.01 ct";
    at(`${id}-fault`).textContent = fault;
    if (fault) { field.setAttribute("aria-invalid", "true"); sound = false; } else field.removeAttribute("aria-invalid");
    values[id] = value;
  }
  return sound && values.length !== null && values.width !== null ? values : null;
}

function mark(direction) {
  const group = document.querySelector("#plan .mark");
  if (!group) return;
  group.classList.toggle("off", direction === null);
  if (direction === null) return;
  const { centre, face } = numbers.plan, turn = direction * Math.PI / 180;
  const far = straight([...face.keys(), face.length].map((k) => 5 * k), (k) => face[k % face.length], direction);
  const [x, y] = [centre[0] + far * Math.cos(turn), centre[1] - far * Math.sin(turn)];
  group.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)}) rotate(${-direction.toFixed(1)})`);
}

function show() {
  const values = read(), answer = at("answer"), cut = numbers.cuts.find((one) => one.name === at("cut").value);
  at("measuring").textContent = `Length: ${cut.measuring.length}. Width: ${cut.measuring.width}.`;
  latest = values && judgeStone(cut.name, values.length, values.width, values.depth, values.weight, values.price);
  answer.replaceChildren();
  mark(latest && latest.tightest ? latest.tightest.direction : null);
  at("tried").querySelector("#keep").hidden = !latest;
  if (at("place")) at("place").textContent = latest && latest.tightest && latest.tightest.direction !== null
    ? `The ring marks where ${latest.tightest.name} is tightest for the stone in hand, ${whereIs(latest.tightest.direction)}. Drawn is the first choice.`
    : at("place").dataset.plain;
  let words = "";
  if (latest) {
    const { mark: kind, head, chance: sure, rows } = told(latest);
    const list = made("dl");
    for (const [what, said] of rows) list.append(made("dt", {}, what), made("dd", {}, said));
    answer.append(made("div", { className: `result ${kind}` },
      made("p", { className: "big" }, sign(kind), head), made("p", { className: "chance" }, sure), list));
    words = `${head}. ${sure}. ${rows.slice(0, 1).map(([what, said]) => `${what}: ${said}`)}`;
  } else {
    answer.append(made("p", { className: "hint" }, "Type length and width; depth for the judgement, weight and price if you know them."));
  }
  clearTimeout(saying);
  saying = setTimeout(() => { at("said").textContent = words; }, 700);
  remember();
}

/* The list of stones tried */

/* The first columns as `fitsolver compare` reads them; it makes its own of the others. */
const COLUMNS = ["stone", "cut", "material", "length_mm", "width_mm", "depth_mm", "mass_ct", "price", "currency",
  "card_says", "chance", "chance_after", "tightest", "mm_to_spare", "deg_tightest", "ct_about", "ct_least", "ct_most",
  "tried_at"];

function judged(stone) {
  return judgeStone(stone.cut, stone.length, stone.width, stone.depth, stone.weight, stone.price);
}

function csv() {
  const plain = (value) => {
    let text = value === null || value === undefined ? "" : String(value);
    if (/^[=+@\t-]/.test(text) && Number.isNaN(Number(text))) text = `'${text}`; // a note is no formula
    return /[",\n\r]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  };
  const lines = stones.map((stone) => {
    const found = judged(stone), weight = found.weight || {}, tight = found.tightest || {};
    const places = (value, digits) => (value === undefined || value === null ? "" : value.toFixed(digits));
    const price = stone.price === null ? "" : Number(stone.price.toFixed(2));
    return [stone.note, stone.cut, numbers.material.name, found.length, found.width, stone.depth, stone.weight, price,
      stone.price === null || !numbers.money ? "" : numbers.money.currency,
      (found.cut.loose ? `does not seat: ${found.cut.loose}` : found.verdict) || (found.outside ? "outside what this card knows" : "depth not given"),
      places(found.probability, 3), places(found.after, 3), tight.name, places(tight.margin, 3), places(tight.direction, 0),
      places(weight.value, 3), places(weight.low, 3), places(weight.high, 3), stone.at].map(plain).join(",");
  });
  return `${[COLUMNS.join(","), ...lines].join("\n")}\n`;
}

function list() {
  at("tried").hidden = false;
  at("list-work").hidden = stones.length === 0;
  at("kept").replaceChildren(...stones.map((stone, k) => {
    const found = judged(stone), said = told(found);
    const sizes = [stone.length, stone.width, stone.depth].filter((side) => side !== null).map(two).join(" × ");
    const label = `${stone.note ? `${stone.note}: ` : ""}${stone.cut}, ${sizes} mm`;
    const money = stone.price === null ? "" : `, ${amount(stone.price)}`;
    const again = made("button", { type: "button", "aria-label": `Look again at ${label}` }, "Look again");
    const away = made("button", { type: "button", "aria-label": `Remove ${label}` }, "Remove");
    again.addEventListener("click", () => {
      for (const id of FIELDS) at(id).value = stone[id] === null ? "" : String(stone[id]);
      at("cut").value = stone.cut;
      show();
      at("answer").focus();
    });
    away.addEventListener("click", () => drop([...stones.slice(0, k), ...stones.slice(k + 1)], `Removed ${label}.`));
    return made("li", { className: said.mark }, made("p", {}, made("bdi", {}, label), money),
      made("p", { className: "verdict" }, sign(said.mark), `${said.head}${found.verdict ? `, ${said.chance}` : ""}`),
      made("div", { className: "duo" }, again, away));
  }));
}

function drop(left, words) {
  undone = stones;
  stones = left;
  at("undo").hidden = false;
  say(words);
  list();
  remember();
  at("undo").focus();
}

function say(words) { at("kept-said").textContent = words; }

async function copy() {
  const text = csv();
  at("csv").value = text;
  try {
    await navigator.clipboard.writeText(text);
    at("csv-field").hidden = true;
    say(stones.length === 1 ? "Copied 1 stone." : `Copied ${stones.length} stones.`);
  } catch {
    at("csv-field").hidden = false;
    at("csv").focus();
    at("csv").select();
    say("This browser lets no page copy: the list is selected below, copy it from there.");
  }
}

function begin() {
  at("desk").hidden = false;
  at("tried").hidden = false;
  if (at("place")) at("place").dataset.plain = at("place").textContent;
  const drawing = document.querySelector("#plan svg");
  if (drawing) {
    const space = "http://www.w3.org/2000/svg", group = document.createElementNS(space, "g");
    const ring = document.createElementNS(space, "circle"), tip = document.createElementNS(space, "path");
    group.setAttribute("class", "mark off");
    ring.setAttribute("r", "9");
    tip.setAttribute("d", "M10 0L26 7V-7Z");
    group.append(ring, tip);
    drawing.append(group);
  }
  recall();
  at("stone").addEventListener("input", show);
  at("stone").addEventListener("submit", (event) => {
    event.preventDefault();
    const wrong = document.querySelector("#stone [aria-invalid]");
    const empty = ["length", "width"].map(at).find((field) => !field.value.trim());
    (wrong || empty || at("answer")).focus();
  });
  at("empty").addEventListener("click", () => {
    for (const id of FIELDS) at(id).value = "";
    show();
    at("length").focus();
  });
  at("keep").addEventListener("input", remember);
  at("keep").addEventListener("submit", (event) => {
    event.preventDefault();
    const values = read();
    if (!values) return;
    stones = [...stones, { ...values, cut: at("cut").value, note: at("note").value.trim(), at: new Date().toISOString().slice(0, 16) }];
    at("note").value = "";
    undone = null;
    at("undo").hidden = true;
    say("Kept.");
    list();
    remember();
  });
  at("undo").addEventListener("click", () => {
    if (!undone) return;
    stones = undone;
    undone = null;
    at("undo").hidden = true;
    say("Back again.");
    list();
    remember();
    at("note").focus();
  });
  at("clear").addEventListener("click", () => drop([], "The list is empty."));
  at("copy").addEventListener("click", copy);
  show();
  list();
}

if (numbers.cuts.length) begin();
