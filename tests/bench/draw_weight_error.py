"""Draw the error of weight estimates on 53,840 real stones: `examples/weight-error.png`.

Run by hand: `python tests/bench/draw_weight_error.py`. Prints the figures that the README gives.
Stones, density and priors are those of `tests/reference/test_diamonds_data.py`, where they are
explained and asserted; the weights are what `weigh_list` says of the round brilliant in all its
makes that diamonds have, from length, width, depth and table.
"""

from __future__ import annotations

import csv
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from fitsolver.readings.reading import rectangular_u
from fitsolver.stones.cut import cut
from fitsolver.stones.material import material
from fitsolver.weighing.weight import every_make, weigh_list

PICTURE = Path(__file__).parents[2] / "examples" / "weight-error.png"
CLASSES_CT = (0.2, 0.3, 0.4, 0.5, 0.7, 0.9, 1.2, 1.6, 2.2, 6.0)
# Told apart by line and mark as well as by colour; dark enough on white.
LOOKS = {
    "this estimate": ("#003f5c", "-", "o"),
    "handbook, D² × H × density × 0.0018": ("#b5460f", "--", "s"),
    "diamond handbook, D² × H × 0.0061": ("#5a5a5a", ":", "^"),
}


def main() -> None:
    """Weigh, print the figures and draw them."""
    carat, length, width, height, depth, table = stones()
    found = weigh_list(
        every_make(cut("round-brilliant"), material("diamond")),
        "diamond",
        {"length_mm": length, "width_mm": width, "depth_mm": depth, "table_pct": table},
        u={"table_pct": rectangular_u(0.5)},
    )
    box = ((length + width) / 2) ** 2 * height
    weights = dict(zip(LOOKS, (found.weight_ct, box * 3.52 * 0.0018, box * 0.0061), strict=True))
    errors = {name: 100 * (weight / carat - 1) for name, weight in weights.items()}
    held = 100 * ((found.low_ct <= carat) & (carat <= found.high_ct))
    reach = 100 * (found.high_ct / found.weight_ct - 1)
    print(f"{len(carat):,} stones")
    for name, error in errors.items():
        print(f"{name:38} mean {np.abs(error).mean():.2f} %  median {np.median(error):+.2f} %")
    print(f"95 % interval, +-{np.median(reach):.1f} % at the median, holds {held.mean():.1f} %")
    classes = [(carat >= low) & (carat < high) for low, high in pairwise(CLASSES_CT)]
    draw(errors, held, classes)


def stones() -> tuple[Any, ...]:
    """Listed weight, length, width, height, depth [ct, mm] and table [%] of the whole rows."""
    with files("plotnine").joinpath("data/diamonds.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    carat, x, y, z, depth, table = (
        np.array([float(row[name]) for row in rows])
        for name in ("carat", "x", "y", "z", "depth", "table")
    )
    whole = (x > 0) & (y > 0) & (z > 0)
    whole &= np.abs(depth - 200 * z / np.where(whole, x + y, 1.0)) < 1
    deep = depth / 100 * (x + y) / 2
    columns = carat, np.maximum(x, y), np.minimum(x, y), z, deep, table
    return tuple(column[whole] for column in columns)


def draw(errors: dict[str, Any], held: Any, classes: list[Any]) -> None:
    """Draw mean error and coverage by size class."""
    places = np.arange(len(classes))
    names = [f"{low:g}–{high:g}" for low, high in pairwise(CLASSES_CT)]
    sheet = Figure(figsize=(7.2, 7.2), layout="constrained")
    above, below = sheet.subplots(2, 1, sharex=True, height_ratios=(3, 1.3))
    for name, error in errors.items():
        colour, line, mark = LOOKS[name]
        means = [np.abs(error[rows]).mean() for rows in classes]
        label = f"{name}: {np.abs(error).mean():.2f} % over all"
        above.plot(places, means, line, marker=mark, color=colour, label=label, lw=1.8, ms=6)
    above.set_ylim(0, None)
    above.set_ylabel("mean error, % of the listed weight")
    above.set_title(f"Estimated against listed weight, {len(held):,} round diamonds", loc="left")
    above.legend(frameon=False, loc="upper right")
    shares = [held[rows].mean() for rows in classes]
    below.bar(places, shares, width=0.86, color="#7fa3b8", edgecolor="#003f5c")
    below.axhline(95, color="black", lw=1, ls="--")
    for place, share, rows in zip(places, shares, classes, strict=True):
        text = f"{share:.1f}\nof {rows.sum():,}"
        below.annotate(text, (place, 90.3), ha="center", va="bottom", fontsize=8)
    below.set_ylim(90, 100.5)
    below.set_ylabel("held by the\n95 % interval, %")
    below.set_xticks(places, names)
    below.set_xlabel("listed weight, ct")
    for axes in (above, below):
        axes.spines[["top", "right"]].set_visible(False)
        axes.grid(axis="y", color="#dddddd", lw=0.7)
        axes.set_axisbelow(True)
    sheet.savefig(PICTURE, dpi=120, metadata={"Software": None})


if __name__ == "__main__":
    main()
