"""True peaks: how high a signal rises between its samples.

At 48 kHz a 5 kHz component can rise 5 % above its samples.  Around a sample higher than its
neighbours, points a quarter of a sample apart are interpolated (a grid of 192 kHz) and a parabola
finds the top between them: for content up to 7 kHz the rest is below 1e-6.
"""

from typing import cast

import numpy as np

from carrierfloor.dsp.extremes import highest as highest_of
from carrierfloor.dsp.extremes import lowest as lowest_of
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

REACH = 6  # samples that the interpolator needs on either side of an interval
WIDTH = 2 * REACH
HIGHEST_HZ = 8000.0  # the interpolator is best up to here
# Typed: numba would compile a version for each literal number.
ONE, TWO, THREE = (cast(int, np.int64(n)) for n in (1, 2, 3))
FLAT = 0.85  # no peak up to 8 kHz can exceed its highest sample by more than this


def interpolator_taps() -> Block:
    """Design the interpolator for 1/4, 2/4 and 3/4 of a sample, shape (3 * WIDTH,).

    Least squares: of all filters of this length, the one whose response is nearest to a pure
    fractional delay from 0 to 8 kHz.
    """
    offsets = np.arange(1 - REACH, REACH + 1)
    band = HIGHEST_HZ / (SAMPLE_RATE_HZ / 2)
    overlap = band * np.sinc(band * (offsets[:, np.newaxis] - offsets))
    taps = [
        np.linalg.lstsq(overlap, band * np.sinc(band * (offsets - phase / 4.0)), rcond=1e-13)[0]
        for phase in (1, 2, 3)
    ]
    return np.concatenate(taps)


@kernel
def _between(taps: Block, z: Block, at: int, quarter: int) -> float:
    """Interpolate at ``at + quarter / 4``, quarter 1 to 3."""
    around = z[at + 1 - REACH : at + 1 + REACH]
    row = taps[(quarter - 1) * WIDTH : quarter * WIDTH]
    even, odd = 0.0, 0.0
    for k in range(REACH):
        even += row[2 * k] * around[2 * k]
        odd += row[2 * k + 1] * around[2 * k + 1]
    return even + odd


@kernel
def _vertex(left: float, middle: float, right: float) -> float:
    """Return the top of the parabola through three equally spaced points, middle the highest."""
    bend = left - 2.0 * middle + right
    if bend >= 0.0:
        return middle
    slope = left - right
    return middle - slope * slope / (8.0 * bend)


@kernel
def top_near(taps: Block, z: Block, at: int, sign: float) -> float:
    """Return the top of ``sign * z`` around a sample that is higher than its neighbours.

    If a neighbour is higher, the result lies between the two samples.

    Parameters
    ----------
    taps : ndarray
        From :func:`interpolator_taps`.
    z : ndarray, shape (n,)
        The samples; ``REACH`` of them must lie on either side of ``at``.
    at : int
        Index of the sample.
    sign : float
        1.0 for a top, -1.0 for a trough.
    """
    middle = sign * float(z[at])
    before = sign * _between(taps, z, at - 1, THREE)
    after = sign * _between(taps, z, at, ONE)
    if middle >= before and middle >= after:
        return _vertex(before, middle, after)
    step = 1 if after >= before else -1  # the top lies on this side
    quarter = max(before, after)
    half = sign * _between(taps, z, at + (step - 1) // 2, TWO)
    if quarter >= half:
        return _vertex(middle, quarter, half)
    last = sign * _between(taps, z, at + (step - 1) // 2, 2 + step)
    return _vertex(quarter, half, last) if half >= last else max(half, last)


@kernel
def top_or_sample(taps: Block, z: Block, at: int, sign: float) -> float:
    """Return ``sign * z`` at a sample, or the top near it if its neighbours are lower."""
    here = sign * float(z[at])
    if sign * z[at - 1] > here or sign * z[at + 1] > here:
        return here
    return top_near(taps, z, at, sign)


@kernel
def is_quiet(z: Block, negative: float, positive: float, work: Block) -> bool:
    """Tell whether nothing comes near a ceiling, between samples either."""
    near_positive = highest_of(z, work) > FLAT * positive
    return not (near_positive or lowest_of(z, work) < -FLAT * negative)
