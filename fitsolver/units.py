"""Millimetres, carats and grams: read them, convert them, write them as the trade does.

Sources
-------
.. [1] International Bureau of Weights and Measures, *The International System of Units*:
   1 metric carat = 0.2 g exactly. Likewise 16 CFR 23.18, which makes a point 0.01 ct.
.. [2] R. Cartier FGA, "Weighty Considerations": weights on documents, a rule attributed there
   to CIBJO.
.. [3] F. B. Wade, *A Text-Book of Precious Stones*, 1918, lesson XXIX: old carats.
.. [4] 16 CFR 23.18: what a stated decimal weight promises.
.. [5] ISO 8653:2016: a ring size is the inner circumference in millimetres.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from decimal import Decimal
from numbers import Real
from types import MappingProxyType
from typing import overload

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

CARAT_G = 0.2
"""Mass of one metric carat [g], exact [1]_."""

_PLAIN = re.compile(r"([+-]?)([0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:\s*mm)?")
_INCHES = re.compile(r"[\"'″′”’]|\bin(ch|ches)?\b", re.IGNORECASE)
_OTHER_UNIT = re.compile(r"[0-9.,\s](cm|µm|um|m|ct|pt)\.?$", re.IGNORECASE)
_GROUPED = re.compile(r"[0-9][0-9.,\s]*[.,\s][0-9]+")


class OldCarat(Struct, frozen=True, kw_only=True):
    """A carat in use before the metric one: its mass [g] and who says so."""

    mass_g: float
    source: str


_WADE = "F. B. Wade, A Text-Book of Precious Stones, 1918, lesson XXIX"

OLD_CARATS: Mapping[str, OldCarat] = MappingProxyType(
    {
        "united-states": OldCarat(mass_g=0.2053, source=_WADE),
        "united-kingdom": OldCarat(mass_g=0.2053, source=_WADE),
        "amsterdam": OldCarat(mass_g=0.2057, source=_WADE),
        "berlin": OldCarat(mass_g=0.20544, source=_WADE),
        "lisbon": OldCarat(mass_g=0.20575, source=_WADE),
        "florence": OldCarat(mass_g=0.1972, source=_WADE),
    }
)
"""Old carats by place. Old papers and engraved weights of a mounting are in one of these."""


MM_PER_INCH = 25.4
"""Exact: the international inch [mm]."""


def parse_length_mm(text: str | float) -> float:
    """Read a length as people write it, with a decimal comma or a decimal point.

    Parameters
    ----------
    text : str or float
        A length [mm]: ``6.5``, ``"6,5"``, ``" 6.50 mm"``. One comma or point is always the
        decimal sign, so ``"1,234"`` is a little over a millimetre: no seat is a metre wide.

    Returns
    -------
    float
        The length [mm].

    Raises
    ------
    ValueError
        If it is no finite number, carries inch marks or another unit, or groups its digits.

    Examples
    --------
    >>> parse_length_mm("6,5"), parse_length_mm(" 6.50 mm")
    (6.5, 6.5)
    >>> parse_length_mm("1.234,5")
    Traceback (most recent call last):
        ...
    ValueError: '1.234,5' is ambiguous: write one decimal sign and no grouping, like 6.5 or 6,5

    """
    if isinstance(text, bool):
        raise ValueError(f"{text} is not a length: write millimetres, like 6.5 or 6,5")
    if isinstance(text, Real):
        return _finite(text, text)
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a length: write millimetres, like 6.5 or 6,5")
    plain = text.strip().replace("−", "-")
    if match := _PLAIN.fullmatch(plain):
        return _finite(match[1] + match[2].replace(",", "."), text)
    if _INCHES.search(plain):
        raise ValueError(f"{text!r} looks like inches: write millimetres (1 inch = 25.4 mm)")
    if unit := _OTHER_UNIT.search(plain):
        raise ValueError(f"{text!r} is in {unit[1]}: write millimetres, like 6.5 or 6,5")
    if _GROUPED.fullmatch(plain.removesuffix("mm").strip().lstrip("+-")):
        raise ValueError(
            f"{text!r} is ambiguous: write one decimal sign and no grouping, like 6.5 or 6,5"
        )
    raise ValueError(f"{text!r} is not a length: write millimetres, like 6.5 or 6,5")


def why_not(text: str, error: ValueError, *, in_mm: bool) -> tuple[str, str]:
    """Split what `parse_length_mm` said against a text into rule and remedy.

    Other numbers are read by the same function; of them it only means that they are none.

    >>> why_not("wide", ValueError("'wide' is not a length: write millimetres"), in_mm=False)
    ('is not a number', 'Write it plainly, like 57.5 or 57,5')
    """
    rule, _, remedy = str(error).removeprefix(f"{text!r} ").partition(": ")
    if not in_mm and "ambiguous" not in rule:
        return "is not a number", "Write it plainly, like 57.5 or 57,5"
    return rule, remedy[:1].upper() + remedy[1:]


@overload
def carats_from(volume_mm3: float, density_g_cm3: float) -> float: ...
@overload
def carats_from(
    volume_mm3: NDArray[np.float64], density_g_cm3: float | NDArray[np.float64]
) -> NDArray[np.float64]: ...
@overload
def carats_from(volume_mm3: float, density_g_cm3: NDArray[np.float64]) -> NDArray[np.float64]: ...
def carats_from(
    volume_mm3: float | NDArray[np.float64], density_g_cm3: float | NDArray[np.float64]
) -> float | NDArray[np.float64]:
    """Weight in carats of a stone whose volume and density are known.

    Parameters
    ----------
    volume_mm3 : float or array
        Volume [mm3], any shape.
    density_g_cm3 : float or array
        Density [g/cm3], broadcast against the volume.

    Returns
    -------
    float or array
        Weight [ct] = volume x density x 0.005: 1 mm3 is 0.001 cm3, and 1 g is 5 ct [1]_.

    Examples
    --------
    >>> carats_from(50.0, 4.0)
    1.0

    """
    return volume_mm3 * density_g_cm3 / (1000.0 * CARAT_G)


def document_weight_ct(weight_ct: float | Decimal) -> Decimal:
    """Weight as written on a document: cut off at the point, rounded up only from a nine.

    Parameters
    ----------
    weight_ct : float or Decimal
        Weight [ct], 0 or more.

    Returns
    -------
    Decimal
        Weight [ct] with two decimals.

    Raises
    ------
    ValueError
        If the weight is negative or not finite.

    Notes
    -----
    The third decimal alone decides, by the rule of [2]_. A float is first rounded to a
    millionth of a carat, far below any balance, so that 0.479 held as 0.47899999... is a nine.

    Examples
    --------
    >>> document_weight_ct(0.478), document_weight_ct(0.479)
    (Decimal('0.47'), Decimal('0.48'))

    """
    exact = weight_ct if isinstance(weight_ct, Decimal) else Decimal(repr(float(weight_ct)))
    if not exact.is_finite() or not 0 <= exact < 10**9:
        raise ValueError(f"{weight_ct} ct is not a weight: it must be 0 or more and finite")
    thousandths = int(exact.quantize(Decimal("0.000001")) * 1000)
    points, third = divmod(thousandths, 10)
    return Decimal(points + (third == 9)).scaleb(-2)


def stated_range_ct(text: str) -> tuple[Decimal, Decimal]:
    """Lightest and heaviest stone that a stated decimal weight may honestly describe.

    Parameters
    ----------
    text : str
        The weight as stated [ct], with its decimals: ``"0.5"`` or ``"1,25"``.

    Returns
    -------
    tuple of Decimal
        Lowest and highest weight [ct], to one more decimal than the statement is good for.

    Raises
    ------
    ValueError
        If the text is no plain decimal number.

    Notes
    -----
    A decimal weight must be accurate to its last place, and to the second place if only one is
    given: ".5" may mean 0.495 to 0.504 [4]_. The same second place is taken for whole carats,
    on which the rule is silent. This is ordinary rounding and not the rule of
    `document_weight_ct`: 0.495 is "0.49" there.

    Examples
    --------
    >>> stated_range_ct(".5")
    (Decimal('0.495'), Decimal('0.504'))

    """
    plain = text.strip().replace(",", ".")
    if not re.fullmatch(r"[0-9]+\.?[0-9]*|\.[0-9]+", plain):
        raise ValueError(f"{text!r} is not a weight: write carats, like 0.52 or 0,52")
    places = max(2, len(plain.partition(".")[2]))
    finer = Decimal(1).scaleb(-places - 1)
    middle = Decimal(plain).quantize(finer)
    return max(middle - 5 * finer, Decimal(0)), middle + 4 * finer


def metric_carats_from_old(old_ct: float, place: str) -> float:
    """Turn the weight in an old invoice or stock book into metric carats.

    Parameters
    ----------
    old_ct : float
        Weight in the old carat of the place; write 2 1/4 1/16 as 2.3125.
    place : str
        A key of `OLD_CARATS`.

    Returns
    -------
    float
        Weight [ct] = old weight x old carat [g] / 0.2 g [3]_.

    Raises
    ------
    ValueError
        If the place is not in the table; the text lists the places that are.

    Examples
    --------
    >>> round(metric_carats_from_old(2.3125, "united-states"), 2)
    2.37

    """
    if place not in OLD_CARATS:
        raise ValueError(f"no old carat for {place!r}; known: {', '.join(OLD_CARATS)}")
    return old_ct * OLD_CARATS[place].mass_g / CARAT_G


def ring_diameter_mm(ring_size_mm: float) -> float:
    """Inner diameter of a ring from its size, the inner circumference [5]_.

    Parameters
    ----------
    ring_size_mm : float
        Ring size [mm of circumference].

    Returns
    -------
    float
        Inner diameter [mm] = size / pi.

    Examples
    --------
    >>> round(ring_diameter_mm(54), 1)
    17.2

    """
    return ring_size_mm / math.pi


def format_mm(value_mm: float, decimals: int = 2) -> str:
    """Write a length [mm] with its unit; a caliper reads to 0.01 mm, so two decimals.

    Examples
    --------
    >>> format_mm(6.5), format_mm(-0.001)
    ('6.50 mm', '0.00 mm')

    """
    # "z" keeps a rounded-away negative from being printed as -0.00.
    return f"{value_mm:z.{decimals}f} mm"


def format_ct(weight_ct: float | Decimal, *, approximately: bool = False) -> str:
    """Write a weight by the document rule; an estimate is stated as "approximately" [2]_.

    Examples
    --------
    >>> format_ct(1.568), format_ct(1.569, approximately=True)
    ('1.56 ct', 'approximately 1.57 ct')

    """
    text = f"{document_weight_ct(weight_ct)} ct"
    return f"approximately {text}" if approximately else text


def _finite(number: Real | str, shown: object) -> float:
    try:
        value = float(number)
    except OverflowError:
        value = math.inf
    if not math.isfinite(value):
        raise ValueError(f"{shown!r} is not a finite length: write millimetres, like 6.5 or 6,5")
    return value
