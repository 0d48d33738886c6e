"""A floor under the envelope: where a keep-alive supply, a diode or a clipper holds the troughs.

A floor has corners, and what a limited band makes of them rings: troughs read deeper than they are.
The band leaves two things alone, the flanks away from the corners and the area of the trough.  As
in cutoff_finder.py, the widths w1 and w2 of a trough at two heights give the parabola that goes
through its flanks, e = e0 + k t^2.  A floor at h cuts a cap off it, whose area

    A = 4/3 (h - e0)^1.5 / sqrt(k)

is what the trough lacks; so h follows, however short the time on the floor.

A round trough with a broad bottom seems to have a cap too.  But only a floor makes many of them end
at one height, and leaves few round ones there.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

EDGE = 1.125  # of the half width: about where the receiver's filter cuts, and rings
BIN, LOWEST, HIGHEST = 0.001, -0.05, 0.75  # of the carrier: heights that are counted
TROUGH = 0.9  # of the carrier: below it is a trough
LONGEST = 4096  # points of one; hum or fading last longer
LOWER, UPPER = 0.05, 2.2  # of the carrier, above the bottom: where w1 is taken; w2 so much higher
FLANK = 1.0 / 12.0  # of the window: a flank that is shorter lies in the rounded corner
CAP_HZ, CAP_NOISES = 320.0, 2.0  # over the half width, and in rms of the noise: a cap at least
DIP, DIP_NOISES = 0.005, 2.0  # below h: a held trough goes no deeper
WIDTH_HZ, WIDTH_NOISES = 48.0, 2.0  # the same, to either side of a floor: the caps that are its
FEWEST = 20  # caps on one floor
SHARE = 0.75  # of the caps that end there or higher
HELD = 0.53  # of all that end there; without a floor 0.41 was seen in much noise, 0.21 in little
LOOKED, LOOKED_NOISES = 0.06, 6.0  # above the deepest trough
LEAST_HZ, LEAST_NOISES = 64.0, 1.5  # over the half width, and in rms: a lower one may be cut-off
DEEPER, DEEPER_NOISES = 0.008, 6.0  # below the floor: such a trough is none of ringing and noise
ERROR_HZ, ERROR_NOISES = 15.5, 0.6  # over the half width; of a height, as simulations showed
# Rows of what is counted: troughs with a cap in the bin of h, others in that where they end, and
# the points that the first spend on a floor at h: the longer, the truer is h.
CAPPED, OTHER, HELD_POINTS = 0, 1, 2


@dataclass(frozen=True)
class HeldFloor:
    """A floor that was found."""

    height: float  # 1.0 = the carrier
    error: float


class HeldFloorFinder:
    """Look for a floor in a stream of m at 192 kHz.

    The bottom of a trough is looked for through a window that the ringing at the band's edge does
    not come through: Hann's, as long as two of its periods (F. J. Harris, "On the use of windows
    for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66 (1978), 51-83).

    Parameters
    ----------
    half_width_hz : float
        What the receiver passes on each side of the carrier.
    """

    def __init__(self, half_width_hz: float) -> None:
        self._half_width_hz = half_width_hz
        size = math.ceil(2.0 / (EDGE * half_width_hz) * FINE_RATE_HZ)
        window = np.hanning(size + 2)[1:-1]
        self._window = window / window.sum()
        # White noise of that band: its samples at 192 kHz are not independent of each other.
        spectrum = np.abs(np.fft.rfft(self._window, 4096)) ** 2
        band = np.fft.rfftfreq(4096, 1.0 / FINE_RATE_HZ) <= half_width_hz
        self._noise_left = math.sqrt(float(spectrum[band].mean()))
        self._past = np.zeros(size - 1)
        self._ends = np.zeros((3, round((HIGHEST - LOWEST) / BIN)), dtype=np.int64)
        self._trough, self._points = np.zeros((2, LONGEST)), np.zeros(1, dtype=np.int64)
        self._deepest = math.inf

    def feed(self, fine: Block, noise_rms: float) -> None:
        """Take the next points of m, shape (n,), any n, and the rms of the noise in them."""
        if not len(fine):
            return
        joined = np.concatenate([self._past, fine])
        self._past = joined[len(fine) :].copy()
        smooth = 1.0 + np.convolve(joined, self._window, "valid")
        as_read = 1.0 + joined[len(self._window) // 2 :][: len(fine)]
        self._deepest = min(self._deepest, float(smooth.min()))
        cap = self._least(CAP_HZ, CAP_NOISES * noise_rms)
        dip = max(DIP, DIP_NOISES * self._noise_left * noise_rms)
        shortest = FLANK * len(self._window)
        _follow(smooth, as_read, shortest, cap, dip, self._points, self._trough, self._ends)

    def read(self, noise_rms: float) -> HeldFloor | None:
        """Return the floor; ``None`` if troughs are round, or go on below it.

        Parameters
        ----------
        noise_rms : float
            Of m.
        """
        height, noise = self._height(noise_rms), self._noise_left * noise_rms
        if height is None or height < self._least(LEAST_HZ, LEAST_NOISES * noise_rms):
            return None
        if self._deepest < height - max(DEEPER, DEEPER_NOISES * noise):
            return None
        return HeldFloor(height, ERROR_HZ / self._half_width_hz + ERROR_NOISES * noise)

    def _least(self, width_hz: float, noise: float) -> float:
        """Return what corners leave, which goes with the period of ringing, or noise if more."""
        return max(width_hz / self._half_width_hz, noise)

    def _height(self, noise_rms: float) -> float | None:
        """Return the height at which most troughs with a cap end, if they are enough."""
        highest = self._deepest + LOOKED + LOOKED_NOISES * noise_rms
        capped, other, points = self._ends[:, : math.ceil((min(highest, HIGHEST) - LOWEST) / BIN)]
        if highest <= LOWEST or not capped.any():
            return None
        width = round(2.0 * self._least(WIDTH_HZ, WIDTH_NOISES * noise_rms) / BIN)
        held = np.convolve(capped, np.ones(width, dtype=np.int64))  # in so many bins up to each
        last = int(np.argmax(held))
        on_it = slice(max(0, last + 1 - width), last + 1)
        number, ending = int(capped[on_it].sum()), int(other[on_it].sum())
        from_it_on = int(capped[on_it.start :].sum())
        if number < max(FEWEST, SHARE * from_it_on, HELD * (number + ending)):
            return None
        bins = np.arange(len(capped))[on_it]
        return LOWEST + BIN * (0.5 + float(np.average(bins, weights=points[on_it])))


@kernel
def _follow(
    smooth: Block,
    as_read: Block,
    shortest: float,
    cap: float,
    dip: float,
    points: NDArray[np.int64],
    trough: NDArray[np.float64],
    ends: NDArray[np.int64],
) -> None:
    """Collect the points of each trough; count it when it is over."""
    n = points[0]
    for i in range(smooth.shape[0]):
        if smooth[i] < TROUGH:
            if n < LONGEST:
                trough[0, n], trough[1, n] = smooth[i], as_read[i]
            n += 1
        elif n > 0:
            if n <= LONGEST:
                _count(trough[0, :n], trough[1, :n], shortest, cap, dip, ends)
            n = 0
    points[0] = n


@kernel
def _count(
    smooth: Block,
    as_read: Block,
    shortest: float,
    least_cap: float,
    dip: float,
    ends: NDArray[np.int64],
) -> None:
    """Count a trough by the height of a floor under it, or by its bottom."""
    middle = int(np.argmin(smooth))
    bottom, lowest, height, lower, held = smooth[middle], 0.0, 0.0, LOWER, 0.0
    while True:
        e0, h, on_it, flank = _cap(as_read, middle, bottom + lower, bottom + UPPER * lower)
        if flank > 0.0:
            lowest, height, held = e0, h, on_it
        if flank == 0.0 or flank >= shortest:
            break
        lower *= 2.0
    is_capped = height - lowest > least_cap and bottom > height - dip
    at = ((height if is_capped else max(height, bottom)) - LOWEST) / BIN
    if 0.0 <= at < ends.shape[1]:
        ends[CAPPED if is_capped else OTHER, int(at)] += 1
        if is_capped:
            ends[HELD_POINTS, int(at)] += math.ceil(held)


@kernel
def _cap(e: Block, middle: int, lower: float, upper: float) -> tuple[float, float, float, float]:
    """Return e0, h, and the points at h and from it to the lower height; zeros without flanks."""
    first, last = middle, middle
    while first > 0 and e[first] < upper:
        first -= 1
    while last < e.shape[0] - 1 and e[last] < upper:
        last += 1
    if e[first] < upper or e[last] < upper or last < first + 3:
        return 0.0, 0.0, 0.0, 0.0
    area = 0.0
    for i in range(first + 1, last):
        area += upper - e[i]
    outer = last - first - (e[first] - upper) / (e[first] - e[first + 1])
    outer -= (e[last] - upper) / (e[last] - e[last - 1])
    while first < middle and e[first] >= lower:
        first += 1
    while last > middle and e[last] >= lower:
        last -= 1
    if e[first] >= lower or e[last] >= lower or last <= first:
        return 0.0, 0.0, 0.0, 0.0
    inner = last - first + (lower - e[first]) / (e[first - 1] - e[first])
    inner += (lower - e[last]) / (e[last + 1] - e[last])
    if inner >= outer:
        return 0.0, 0.0, 0.0, 0.0
    bend = 4.0 * (upper - lower) / (outer * outer - inner * inner)  # k
    lowest = upper - 0.25 * bend * outer * outer
    lacks = max(0.0, 2.0 / 3.0 * (upper - lowest) * outer - area)
    cap = (0.75 * lacks * math.sqrt(bend)) ** (2.0 / 3.0)
    half = math.sqrt(cap / bend)
    return lowest, lowest + cap, 2.0 * half, 0.5 * inner - half
