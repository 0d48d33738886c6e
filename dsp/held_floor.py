"""A floor under the envelope: where a keep-alive supply, a diode or a clipper holds the troughs.

A floor has corners, and a corner that comes through a limited band overshoots: troughs read deeper
than they are.  So the envelope is looked at through a window that the ringing at the band's edge
does not come through: Hann's, as long as two of its periods (F. J. Harris, "On the use of windows
for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66 (1978), 51-83).

Whether a trough is flat shows in the time it spends near its bottom.  A round one, which is a
parabola there, is below a height h above its bottom for a time that goes with sqrt(h): below 2 w
for 1.37 times as long as between 2 w and 6 w, however deep or fast it is.  A flat one is there for
longer.  All troughs that end at about the same height are counted together, so noise and the shape
of single ones matter little.
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
WIDTH, NOISES = 0.01, 2.0  # w, of the carrier, and at least so many rms of the noise
NEAR, ABOVE = 2.0, 6.0  # times w above the bottom
FLATTER = 1.8  # times as long there; round ones of speech reached 1.4, in much noise 1.7
FEWEST = 20  # troughs that end within w of each other
LOOKED = 6.0  # times w above the deepest trough
NARROW, NARROW_NOISES = 0.004, 0.7  # to either side of a floor: its height is their mean
LEAST_HEIGHT, LEAST_NOISES = 0.015, 4.0  # lower ones are looked at by cutoff_finder.py
DEEPER, DEEPER_NOISES = 0.008, 6.0  # below the floor: such a trough is none of ringing and noise
ERROR, ERROR_NOISES = 0.001, 0.6  # of a height, as it was seen on simulated recordings
# Rows of what is counted for the troughs that end in each bin.
TROUGHS, TIME_NEAR, TIME_ABOVE = 0, 1, 2


@dataclass(frozen=True)
class HeldFloor:
    """A floor that was found."""

    height: float  # 1.0 = the carrier
    error: float


class HeldFloorFinder:
    """Look for a floor in a stream of m at 192 kHz.

    Parameters
    ----------
    half_width_hz : float
        What the receiver passes on each side of the carrier.
    """

    def __init__(self, half_width_hz: float) -> None:
        size = math.ceil(2.0 / (EDGE * half_width_hz) * FINE_RATE_HZ)
        window = np.hanning(size + 2)[1:-1]
        self._window = window / window.sum()
        # White noise of that band: its samples at 192 kHz are not independent of each other.
        spectrum = np.abs(np.fft.rfft(self._window, 4096)) ** 2
        band = np.fft.rfftfreq(4096, 1.0 / FINE_RATE_HZ) <= half_width_hz
        self._noise_left = math.sqrt(float(spectrum[band].mean()))
        self._past = np.zeros(size - 1)
        bins = round((HIGHEST - LOWEST) / BIN)
        self._times = np.zeros(bins, dtype=np.int64)  # points at each height
        self._ends = np.zeros((3, bins), dtype=np.int64)
        self._trough, self._points = np.zeros(LONGEST), np.zeros(1, dtype=np.int64)
        self._deepest = math.inf

    def feed(self, fine: Block, noise_rms: float) -> None:
        """Take the next points of m, shape (n,), any n, and the rms of the noise in them."""
        if not len(fine):
            return
        joined = np.concatenate([self._past, fine])
        self._past = joined[len(fine) :].copy()
        heights = 1.0 + np.convolve(joined, self._window, "valid")
        self._deepest = min(self._deepest, float(heights.min()))
        bins = np.floor((heights[heights < HIGHEST] - LOWEST) / BIN).astype(np.int64)
        self._times += np.bincount(np.maximum(bins, 0), minlength=len(self._times))
        _follow(heights, self._width(noise_rms), self._points, self._trough, self._ends)

    def read(self, noise_rms: float) -> HeldFloor | None:
        """Return the floor; ``None`` if troughs are round, or go on below it.

        Parameters
        ----------
        noise_rms : float
            Of m.
        """
        noise, width = self._noise_left * noise_rms, round(self._width(noise_rms) / BIN)
        bottom = self._flattest(width)
        if bottom is None:
            return None
        height = self._height(bottom, width, round(max(NARROW, NARROW_NOISES * noise) / BIN))
        if height < max(LEAST_HEIGHT, LEAST_NOISES * noise):
            return None
        if self._deepest < height - max(DEEPER, DEEPER_NOISES * noise):
            return None
        return HeldFloor(height, ERROR + ERROR_NOISES * noise)

    def _width(self, noise_rms: float) -> float:
        return max(WIDTH, NOISES * self._noise_left * noise_rms)

    def _flattest(self, width: int) -> int | None:
        """Return the bin from which on the flattest troughs end, if they are flat."""
        until = np.pad(np.cumsum(self._ends, axis=1), ((0, 0), (1, 0)))
        starts = np.arange(max(0, self._ends.shape[1] - width))
        troughs, near, above = until[:, starts + width] - until[:, starts]
        first = np.flatnonzero(self._ends[TROUGHS])
        if not len(first):
            return None
        enough = (troughs >= FEWEST) & (starts <= first[0] + LOOKED * width)
        ratios = np.where(enough, near / np.maximum(1, above), 0.0)
        best = int(np.argmax(ratios))
        return best if ratios[best] >= FLATTER else None

    def _height(self, bottom: int, width: int, narrow: int) -> float:
        """Return the mean of the heights that are the most frequent above a bin."""
        end = min(bottom + round(NEAR * width), len(self._times))
        starts = np.arange(bottom, max(bottom + 1, end - 2 * narrow))
        stops = np.minimum(starts + 2 * narrow, end)
        until = np.concatenate([[0], np.cumsum(self._times)])
        best = int(np.argmax(until[stops] - until[starts]))
        near = np.arange(starts[best], stops[best])
        return LOWEST + BIN * (0.5 + float(np.average(near, weights=self._times[near])))


@kernel
def _follow(
    heights: Block,
    width: float,
    points: NDArray[np.int64],
    trough: Block,
    ends: NDArray[np.int64],
) -> None:
    """Collect the points of each trough; count them when it is over."""
    n = points[0]
    for i in range(heights.shape[0]):
        if heights[i] < TROUGH:
            if n < LONGEST:
                trough[n] = heights[i]
            n += 1
        elif n > 0:
            if n <= LONGEST:
                _count(trough[:n], width, ends)
            n = 0
    points[0] = n


@kernel
def _count(trough: Block, width: float, ends: NDArray[np.int64]) -> None:
    """Count how long a trough is near its bottom, and above that."""
    bottom = trough.min()
    at = int((bottom - LOWEST) / BIN)
    if bottom < LOWEST or at >= ends.shape[1]:
        return
    ends[TROUGHS, at] += 1
    for i in range(trough.shape[0]):
        above = trough[i] - bottom
        if above < NEAR * width:
            ends[TIME_NEAR, at] += 1
        elif above < ABOVE * width:
            ends[TIME_ABOVE, at] += 1
