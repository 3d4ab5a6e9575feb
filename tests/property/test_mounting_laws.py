"""Laws of mounting files: spelling and order say nothing."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from fitsolver.files.datafile import parse_toml
from fitsolver.seats.mounting import Mounting, mounting_from

LENGTHS = {
    "opening_length_mm": (7.5, 9.0),
    "opening_width_mm": (5.5, 7.0),
    "ledge_width_mm": (0.1, 1.0),
    "wall_height_mm": (0.2, 2.0),
    "wall_thickness_mm": (0.2, 1.5),
    "depth_below_ledge_mm": (2.0, 6.0),
}
SETTLED = {
    "holds": '"wall"',
    "state": '"cut"',
    "back": '"open"',
    "opening_family": '"cushion"',
    "opening_level": '"rim"',
}


def hundredths(low: float, high: float) -> st.SearchStrategy[str]:
    """Readings as a caliper shows them, with two decimals."""
    return st.integers(round(low * 100), round(high * 100)).map(lambda n: f"{n / 100:.2f}")


readings = st.fixed_dictionaries({key: hundredths(*ends) for key, ends in LENGTHS.items()})
# Repeats lie within 0.3 mm of one another, closer than the 0.5 mm at which they are refused.
offsets = st.lists(st.integers(0, 30), min_size=1, max_size=6)


def read(seat: dict[str, str]) -> Mounting:
    lines = "\n".join(f"{key} = {value}" for key, value in seat.items())
    return mounting_from(parse_toml(f'name = "Invented"\n[seat]\n{lines}\n', name="m.toml"))


@settings(deadline=None, max_examples=60)
@given(readings, st.sampled_from(['"{}"', '" {}"', '"{} mm"', '"{}mm"']))
def test_mm_and_decimal_comma_read_the_same(lengths, spelling):
    commas = {key: spelling.format(text.replace(".", ",")) for key, text in lengths.items()}
    assert read({**SETTLED, **commas}) == read({**SETTLED, **lengths})


@settings(deadline=None, max_examples=60)
@given(readings, st.randoms(use_true_random=False))
def test_order_of_keys_does_not_matter(lengths, chance: random.Random):
    items = list({**SETTLED, **lengths}.items())
    shuffled = chance.sample(items, len(items))
    assert read(dict(shuffled)) == read(dict(items))


@settings(deadline=None, max_examples=60)
@given(readings, offsets, st.randoms(use_true_random=False))
def test_order_of_repeats_does_not_matter(lengths, steps, chance: random.Random):
    repeats = [f"{6.0 + step / 100:.2f}" for step in steps]
    shuffled = chance.sample(repeats, len(repeats))
    one, other = (
        read({**SETTLED, **lengths, "opening_width_mm": f"[{', '.join(order)}]"})
        for order in (repeats, shuffled)
    )
    assert one == other


@settings(deadline=None, max_examples=60)
@given(
    st.lists(hundredths(3.0, 4.0), min_size=8, max_size=8),
    st.integers(0, 44),
    st.randoms(use_true_random=False),
)
def test_order_and_turn_of_radii_do_not_matter(radii, first_deg, chance: random.Random):
    def seat(entries: list[tuple[int, str]]) -> dict[str, str]:
        listed = ", ".join(f"{{at_deg = {at}, read = {length}}}" for at, length in entries)
        return {
            **SETTLED,
            "ledge_width_mm": "0.4",
            "depth_below_ledge_mm": "3",
            "opening_radii_mm": f"[{listed}]",
        }

    around = [(first_deg + 45 * index, length) for index, length in enumerate(radii)]
    turned = [(at - 360 if at > 180 else at, length) for at, length in around]
    assert read(seat(chance.sample(turned, 8))) == read(seat(around))
