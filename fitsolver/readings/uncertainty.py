"""How far an answer can be trusted: linear shares, and evenly spread samples beside them.

The linear law tells which input matters; samples tell the truth where a smallest clearance has
kinks. Nothing here knows about lengths: units are the caller's.

Sources
-------
.. [1] JCGM 100:2008 (GUM), 5.1.2 (independent inputs), 5.1.3 note 2 (sensitivities from steps of
   one standard uncertainty), 5.2.2 (correlated inputs).
.. [2] JCGM 101:2008, propagation of distributions; 7.7 for the symmetric coverage interval.
.. [3] S. Joe and F. Y. Kuo, "Constructing Sobol sequences with better two-dimensional
   projections", SIAM J. Sci. Comput. 30 (2008) 2635: primitive polynomials, direction numbers.
.. [4] J. Matousek, "On the L2-discrepancy for anchored boxes", J. Complexity 14 (1998) 527:
   the random linear scramble.
.. [5] JCGM 106:2012, 7.4: probability that a quantity is on the right side of a limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist

import numpy as np
from msgspec import Struct
from numpy.typing import ArrayLike, NDArray

from fitsolver.errors import OutOfRange

Floats = NDArray[np.float64]
Function = Callable[[Floats], ArrayLike]
"""Takes inputs of shape (count, inputs), gives one number per row, shape (count,)."""

MAX_DIMENSION = 21_201
"""Most inputs that `standard_normal_points` spreads evenly together."""
_OWN_DIMENSION = 64
"""As many inputs have their direction numbers here; for more, scipy is loaded."""

_BITS = 32


class Estimate(Struct, frozen=True, kw_only=True):
    """A value with its standard uncertainty and coverage interval, all in the caller's unit.

    `shares` has one entry per input: the part of the variance it causes. They add up to 1 (to 0
    if nothing is uncertain); a correlated input's share can be negative. Empty from samples.
    """

    value: float
    u: float
    low: float
    high: float
    coverage: float = 0.95
    shares: tuple[float, ...] = ()

    def probability_above(self, limit: float) -> float:
        """Probability that the true value is above a limit, taken as normal.

        Phi((value - limit) / u) [5]_. Use the samples themselves where the value has kinks.

        Examples
        --------
        >>> margin = Estimate(value=0.07, u=0.05, low=-0.03, high=0.17)
        >>> round(margin.probability_above(0.0), 3)
        0.919

        """
        if self.u == 0.0:
            return float(self.value >= limit)
        return 0.5 * math.erfc((limit - self.value) / (self.u * math.sqrt(2.0)))


def standard_normal_points(dimension: int, count: int, seed: int) -> Floats:
    """Spread standard normal points so evenly that a few hundred do the work of thousands.

    Parameters
    ----------
    dimension : int
        Number of inputs, 1 to 21,201. Put those that matter most first: early columns are
        spread best.
    count : int
        Number of points; a power of two spreads best.
    seed : int
        Same seed, same points, on every machine. More points or more inputs with the same seed
        extend the table without changing what was there.

    Returns
    -------
    array, shape (count, dimension)
        Points whose columns are standard normal and independent.

    Raises
    ------
    OutOfRange
        If the dimension or the count cannot be served.

    Notes
    -----
    Sobol points with the direction numbers of [3]_, a random linear scramble [4]_ and a random
    digital shift, so each single point is exactly uniform; then the inverse normal. Few
    points in many dimensions leave pairs of late columns tied to each other (correlations up to
    0.9 for 64 points in 64 dimensions): with 20 inputs or more take at least 512 points, which
    tie hardly any pair more closely than chance does.

    """
    if not 1 <= dimension <= MAX_DIMENSION:
        raise OutOfRange("dimension", dimension, 1, MAX_DIMENSION, unit="inputs")
    if not 1 <= count <= 2**20:
        raise OutOfRange("count", count, 1, 2**20, unit="points")
    # The raw stream of PCG64 is fixed for good; numpy's derived draws may change by release.
    raw = np.random.PCG64(seed).random_raw(dimension * (_BITS + 1)) >> np.uint64(64 - _BITS)
    words = raw.astype(np.uint32).reshape(dimension, _BITS + 1)
    digits = _sobol_digits(_scrambled(_directions(dimension, count), words[:, :_BITS]), count)
    uniform = ((digits ^ words[:, _BITS]).astype(np.float64) + 0.5) / 2.0**_BITS
    # The standard library's inverse (Wichura, AS 241): loading scipy would take longer.
    inverse = NormalDist().inv_cdf
    points = np.fromiter(map(inverse, uniform.ravel().tolist()), np.float64, uniform.size)
    return points.reshape(uniform.shape)


def rectangular_from_normal(points: Floats) -> Floats:
    """Turn standard normal points into rectangular ones of mean 0 and standard deviation 1.

    Parameters
    ----------
    points : array
        Standard normal points, any shape.

    Returns
    -------
    array, same shape
        sqrt(3) (2 Phi(z) - 1), between -sqrt(3) and sqrt(3): times u, a half-width of sqrt(3) u.

    """
    from scipy.special import ndtr

    flat: Floats = math.sqrt(3.0) * (2.0 * ndtr(points) - 1.0)
    return flat


def normal_samples(
    values: ArrayLike,
    *,
    u: ArrayLike | None = None,
    covariance: ArrayLike | None = None,
    count: int = 1024,
    seed: int = 0,
) -> Floats:
    """Sample inputs that scatter normally about their values.

    Parameters
    ----------
    values : array, shape (inputs,)
        Best values of the inputs.
    u, covariance : array, shape (inputs,) or (inputs, inputs)
        Standard uncertainties of independent inputs, or their covariance; give one of the two.
    count, seed : int
        As for `standard_normal_points`.

    Returns
    -------
    array, shape (count, inputs)
        One row per sample.

    Raises
    ------
    ValueError
        If not exactly one of `u` and `covariance` is given, or it is none.

    """
    centre = np.asarray(values, dtype=np.float64)
    spread = _covariance(centre.size, u, covariance)
    points = standard_normal_points(centre.size, count, seed)
    if u is not None:
        return np.asarray(centre + points * np.sqrt(np.diag(spread)))
    factor = spread_factor(spread)
    return np.asarray(centre + points @ factor.T)


def spread_factor(covariance: ArrayLike) -> Floats:
    """Factor a covariance, C = F F^T, so that standard normal points times F^T scatter like C.

    Cholesky's factor of the inputs in order of falling variance: the best spread columns go to
    the widest inputs. Unlike eigenvectors, whose signs and mixtures differ by machine, it is one
    and the same everywhere. A hair is added to each variance (1e-12 of the largest), for inputs
    that others determine in full.

    Parameters
    ----------
    covariance : array, shape (inputs, inputs)

    Returns
    -------
    array, shape (inputs, inputs)

    """
    spread = np.asarray(covariance, dtype=np.float64)
    variance = np.diag(spread)
    largest = float(variance.max(initial=0.0))
    if largest == 0.0:
        return np.zeros_like(spread)
    # Rounded, so that variances equal but for rounding keep their order.
    order = np.argsort(-np.round(variance / largest, 9), kind="stable")
    sorted_spread = spread[np.ix_(order, order)] + 1e-12 * largest * np.eye(len(spread))
    factor = np.zeros_like(spread)
    factor[order] = np.linalg.cholesky(sorted_spread)
    return factor


def propagate_linear(
    function: Function,
    values: ArrayLike,
    *,
    u: ArrayLike | None = None,
    covariance: ArrayLike | None = None,
    coverage: float = 0.95,
) -> Estimate:
    """Carry uncertainties through a function by its slopes, and say which input causes how much.

    Parameters
    ----------
    function : callable
        Takes inputs of shape (count, inputs), returns shape (count,).
    values : array, shape (inputs,)
        Best values of the inputs.
    u, covariance : array, shape (inputs,) or (inputs, inputs)
        Standard uncertainties of independent inputs, or their covariance; give one of the two.
    coverage : float
        Probability inside the interval, taken as normal.

    Returns
    -------
    Estimate
        With `shares`, one per input.

    Raises
    ------
    ValueError
        If not exactly one of `u` and `covariance` is given, if it is none, or if the function
        gives no finite number.

    Notes
    -----
    u^2 = c' V c with slopes c from central steps of one standard uncertainty [1]_. Curvature is
    neglected: at the bottom of a valley, or at a kink, u is too small. Sample there.

    Examples
    --------
    >>> gap = propagate_linear(lambda x: x[:, 0] - x[:, 1], [6.50, 6.40], u=[0.03, 0.04])
    >>> f"{gap.value:.2f} {gap.u:.2f}", [round(share, 2) for share in gap.shares]
    ('0.10 0.05', [0.36, 0.64])

    """
    centre = np.asarray(values, dtype=np.float64)
    spread = _covariance(centre.size, u, covariance)
    step = np.sqrt(np.diag(spread))
    steps = np.diag(step)
    found = _evaluated(function, np.vstack([centre, centre + steps, centre - steps]))
    rise = found[1 : centre.size + 1] - found[centre.size + 1 :]
    slope = np.divide(rise, 2.0 * step, out=np.zeros_like(rise), where=step > 0.0)
    parts = slope * (spread @ slope)
    variance = max(float(parts.sum()), 0.0)
    deviation = math.sqrt(variance)
    reach = deviation * _two_sided_factor(coverage)
    value = float(found[0])
    return Estimate(
        value=value,
        u=deviation,
        low=value - reach,
        high=value + reach,
        coverage=coverage,
        shares=tuple(float(part) / variance if variance > 0.0 else 0.0 for part in parts),
    )


def propagate_samples(function: Function, samples: Floats, *, coverage: float = 0.95) -> Estimate:
    """Carry samples of the inputs through a function, kinks and all.

    Parameters
    ----------
    function : callable
        Takes inputs of shape (count, inputs), returns shape (count,).
    samples : array, shape (count, inputs)
        Samples of the inputs, from `normal_samples` or of any other shape.
    coverage : float
        Probability inside the interval, with equal tails left outside.

    Returns
    -------
    Estimate
        Mean, standard deviation and interval of the results [2]_.

    Raises
    ------
    ValueError
        If there are fewer than two samples, or the function gives no finite number.

    """
    _check_coverage(coverage)
    if len(samples) < 2:
        raise ValueError("a spread needs at least two samples")
    found = _evaluated(function, samples)
    tail = (1.0 - coverage) / 2.0
    low, high = np.quantile(found, [tail, 1.0 - tail])
    return Estimate(
        value=float(found.mean()),
        u=float(found.std(ddof=1)),
        low=float(low),
        high=float(high),
        coverage=coverage,
    )


def _evaluated(function: Function, inputs: Floats) -> Floats:
    found = np.asarray(function(inputs), dtype=np.float64)
    if found.shape != (len(inputs),):
        raise ValueError(f"the function must give {len(inputs)} numbers, got shape {found.shape}")
    if not np.isfinite(found).all():
        raise ValueError("the function gives no finite number for some of the inputs")
    return found


def _covariance(size: int, u: ArrayLike | None, covariance: ArrayLike | None) -> Floats:
    if (u is None) == (covariance is None):
        raise ValueError("give either u or covariance")
    if covariance is None:
        single = np.asarray(u, dtype=np.float64)
        if single.shape != (size,) or not np.isfinite(single).all() or (single < 0.0).any():
            raise ValueError(f"u must hold {size} finite numbers, none below 0")
        return np.diag(single**2)
    spread = np.asarray(covariance, dtype=np.float64)
    if spread.shape != (size, size) or not np.isfinite(spread).all():
        raise ValueError(f"covariance must be {size} x {size} and finite")
    # Rounding leaves small negative eigenvalues where inputs hang together exactly.
    slack = 1e-9 * max(float(np.abs(spread).max(initial=0.0)), np.finfo(np.float64).tiny)
    if np.abs(spread - spread.T).max() > slack or np.linalg.eigvalsh(spread).min() < -size * slack:
        raise ValueError("covariance must be symmetric, with no negative variance in any direction")
    return spread


def _check_coverage(coverage: float) -> None:
    if not 0.0 < coverage < 1.0:
        raise OutOfRange("coverage", coverage, 0.0, 1.0, unit="(exclusive)")


def _two_sided_factor(coverage: float) -> float:
    _check_coverage(coverage)
    return NormalDist().inv_cdf(0.5 + coverage / 2.0)


def _directions(dimension: int, count: int) -> NDArray[np.uint32]:
    """Direction numbers as 32-bit fractions, shape (dimension, bits of the count)."""
    columns = max(1, (count - 1).bit_length())
    if dimension > _OWN_DIMENSION:
        return _all_directions(dimension, columns)
    rows = [[1] * columns]
    for entry in _JOE_KUO.split(";")[: dimension - 1]:
        polynomial, *first = map(int, entry.split())
        degree = len(first)
        odd = list(first)
        for k in range(degree, columns):
            value = odd[k - degree] ^ (odd[k - degree] << degree)
            for i in range(1, degree):
                if polynomial >> (degree - i) & 1:
                    value ^= odd[k - i] << i
            odd.append(value)
        rows.append(odd[:columns])
    shifts = np.arange(_BITS - 1, _BITS - 1 - columns, -1, dtype=np.uint32)
    return np.array(rows, dtype=np.uint32) << shifts


def _all_directions(dimension: int, columns: int) -> NDArray[np.uint32]:
    """Direction numbers from scipy, which has the whole table of [3] and takes long to load.

    In Gray-code order the point 2^(k+1) - 1 is the k-th direction number itself.
    """
    from scipy.stats import qmc

    engine = qmc.Sobol(dimension, scramble=False, bits=_BITS)
    found = []
    for column in range(columns):
        engine.fast_forward(2 ** (column + 1) - 1 - engine.num_generated)
        # Exact: 32 bits fit into a double. One point is no balanced set, nor is it meant to be.
        found.append(engine.random(1)[0] * 2.0**_BITS)
    return np.array(found).T.astype(np.uint32)


def _scrambled(directions: NDArray[np.uint32], words: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """Mix each digit with random choices of the digits before it, dimension by dimension."""
    place = np.arange(_BITS, dtype=np.uint64)
    own = (np.uint64(1) << (_BITS - 1 - place)).astype(np.uint32)
    before = ~((np.uint64(1) << (_BITS - place)) - np.uint64(1)).astype(np.uint32)
    rule = (words & before) | own
    parity = rule[:, :, None] & directions[:, None, :]
    for shift in (16, 8, 4, 2, 1):
        parity ^= parity >> np.uint32(shift)
    mixed: NDArray[np.uint32] = np.bitwise_or.reduce((parity & np.uint32(1)) * own[:, None], axis=1)
    return mixed


def _sobol_digits(directions: NDArray[np.uint32], count: int) -> NDArray[np.uint32]:
    """Sobol points in Gray-code order as 32-bit fractions, shape (count, dimension)."""
    index = np.arange(count, dtype=np.uint32)
    gray = index ^ (index >> np.uint32(1))
    digits = np.zeros((count, len(directions)), dtype=np.uint32)
    for column in range(directions.shape[1]):
        digits ^= ((gray >> np.uint32(column)) & np.uint32(1))[:, None] * directions[:, column]
    return digits


# Dimensions 2 to 64 of [3], the table published with search criterion D(6): the bits of the
# primitive polynomial as one number, then the first direction numbers, all odd.
_JOE_KUO = """
3 1; 7 1 3; 11 1 3 1; 13 1 1 1; 19 1 1 3 3; 25 1 3 5 13; 37 1 1 5 5 17; 41 1 1 5 5 5; 47 1 1 7
11 19; 55 1 1 5 1 1; 59 1 1 1 3 11; 61 1 3 5 5 31; 67 1 3 3 9 7 49; 91 1 1 1 15 21 21; 97 1 3 1
13 27 49; 103 1 1 1 15 7 5; 109 1 3 1 15 13 25; 115 1 1 5 5 19 61; 131 1 3 7 11 23 15 103; 137 1
3 7 13 13 15 69; 143 1 1 3 13 7 35 63; 145 1 3 5 9 1 25 53; 157 1 3 1 13 9 35 107; 167 1 3 1 5
27 61 31; 171 1 1 5 11 19 41 61; 185 1 3 5 3 3 13 69; 191 1 1 7 13 1 19 1; 193 1 3 7 5 13 19 59;
203 1 1 3 9 25 29 41; 211 1 3 5 13 23 1 55; 213 1 3 7 3 13 59 17; 229 1 3 1 3 5 53 69; 239 1 1 5
5 23 33 13; 241 1 1 7 7 1 61 123; 247 1 1 7 9 13 61 49; 253 1 3 3 5 3 55 33; 285 1 3 1 15 31 13
49 245; 299 1 3 5 15 31 59 63 97; 301 1 3 1 11 11 11 77 249; 333 1 3 1 11 27 43 71 9; 351 1 1 7
15 21 11 81 45; 355 1 3 7 3 25 31 65 79; 357 1 3 1 1 19 11 3 205; 361 1 1 5 9 19 21 29 157; 369
1 3 7 11 1 33 89 185; 391 1 3 3 3 15 9 79 71; 397 1 3 7 11 15 39 119 27; 425 1 1 3 1 11 31 97
225; 451 1 1 1 3 23 43 57 177; 463 1 3 7 7 17 17 37 71; 487 1 3 1 5 27 63 123 213; 501 1 1 3 5
11 43 53 133; 529 1 3 5 5 29 17 47 173 479; 539 1 3 3 11 3 1 109 9 69; 545 1 1 1 5 17 39 23 5
343; 557 1 3 1 5 25 15 31 103 499; 563 1 1 1 11 11 17 63 105 183; 601 1 1 5 11 9 29 97 231 363;
607 1 1 5 15 19 45 41 7 383; 617 1 3 7 7 31 19 83 137 221; 623 1 1 1 3 23 15 111 223 83; 631 1 1
5 13 31 15 55 25 161; 637 1 1 3 13 25 47 39 87 257
"""
