"""True peaks: the highest and lowest value between samples.

At 48 kHz a 5 kHz component can rise 5 % above its samples.  Three points are interpolated
between two samples (a grid of 192 kHz) and a parabola finds the top between them: for content
up to 8 kHz the rest is below 2e-5.
"""

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

REACH = 6  # samples that the interpolator needs on either side of an interval
PHASES = 3  # points between two samples
HIGHEST_HZ = 8000.0  # the interpolator is best up to here
FLAT = 0.8  # below this part of a ceiling no peak up to 8 kHz can hide between two samples


def interpolator_taps() -> Block:
    """Design the interpolator, shape (PHASES * 2 * REACH,).

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
def _between(taps: Block, z: Block, at: int, phase: int) -> float:
    """Interpolate at ``at + (phase + 1) / 4``."""
    around = z[at + 1 - REACH : at + 1 + REACH]
    row = taps[phase * 2 * REACH : (phase + 1) * 2 * REACH]
    total = 0.0
    for k in range(2 * REACH):
        total += row[k] * around[k]
    return total


@kernel
def _vertex(left: float, middle: float, right: float) -> float:
    """Return the top of the parabola through three equally spaced points, middle the highest."""
    bend = left - 2.0 * middle + right
    if bend >= 0.0:
        return middle
    slope = left - right
    return middle - slope * slope / (8.0 * bend)


@kernel
def top_of_interval(taps: Block, z: Block, at: int, sign: float) -> float:
    """Return the highest value of ``sign * z`` from sample ``at`` to ``at + 1``.

    A top right at sample ``at`` belongs to the interval before.

    Parameters
    ----------
    taps : ndarray
        From :func:`interpolator_taps`.
    z : ndarray, shape (n,)
        The samples; ``REACH`` of them must lie on either side of the interval.
    at : int
        Index of the interval's first sample.
    sign : float
        1.0 for the highest value, -1.0 for the lowest.
    """
    p0, p4 = sign * z[at], sign * z[at + 1]
    p1 = sign * _between(taps, z, at, 0)
    p2 = sign * _between(taps, z, at, 1)
    p3 = sign * _between(taps, z, at, 2)
    if p1 >= p0 and p1 >= p2:
        return max(_vertex(p0, p1, p2), p3, p4)
    if p2 >= p1 and p2 >= p3:
        return max(_vertex(p1, p2, p3), p0, p4)
    if p3 >= p2 and p3 >= p4:
        return max(_vertex(p2, p3, p4), p0)
    if p4 >= p3:
        p5 = sign * _between(taps, z, at + 1, 0)
        if p4 >= p5:
            return max(_vertex(p3, p4, p5), p0)
    return max(p0, p4)
