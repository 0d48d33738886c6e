"""A floor under the envelope: where a keep-alive supply, a diode or a clipper holds the troughs.

A floor has corners, and a corner that comes through a limited band overshoots: troughs read deeper
than they are.  So the envelope is looked at through a window that the ringing at the band's edge
does not come through: Hann's, as long as two of its periods (F. J. Harris, "On the use of windows
for harmonic analysis with the discrete Fourier transform", Proc. IEEE 66 (1978), 51-83).

Round troughs that all end at one height spend as much time within w of their ends as sqrt(w) says:
1.37 times more in the lowest 2 w than in the next 4 w.  Those of speech end at many heights and
spend less there.  Where it is clearly more, they are flat.  Time counts as flat if the envelope
stays there for half the window: the ripple of an audio filter, which the antenna really sends, is
too short for that.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

EDGE = 1.125  # of the half width: about where the receiver's filter cuts, and rings
BIN, LOWEST, HIGHEST = 0.001, -0.05, 0.75  # of the carrier: heights that are counted
NARROW = 0.004  # of the carrier, to either side of a floor: its height is their mean
WITHIN, ABOVE = 0.01, 4.0  # of the carrier, and times that: the time there is compared
NOISES = 2.0  # in rms of what noise the window leaves; WITHIN at least
FLATTER = 1.4  # times as long within as above and below
STAYING, STAYING_NOISES = 0.2, 3.0  # of that time it stays, but for noise
LEAST_S = 0.005  # of flat troughs, in all
LEAST_HEIGHT, LEAST_NOISES = 0.015, 4.0  # lower ones are looked at by cutoff_finder.py
DEEPER, DEEPER_NOISES = 0.008, 6.0  # below the floor: such a trough is none of ringing and noise
ERROR, ERROR_NOISES = 0.001, 0.5  # of a height, as it was seen on simulated recordings


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
        self._heights = np.ones(size // 2)
        # Points of each height, and those of them at which the envelope stays.
        self._counts, self._flat = np.zeros((2, round((HIGHEST - LOWEST) / BIN)), dtype=np.int64)
        self._lowest = math.inf

    def feed(self, fine: Block, noise_rms: float) -> None:
        """Take the next points of m, shape (n,), any n, and the rms of the noise in them."""
        if not len(fine):
            return
        joined = np.concatenate([self._past, fine])
        self._past = joined[len(fine) :].copy()
        height = 1.0 + np.convolve(joined, self._window, "valid")
        self._lowest = min(self._lowest, float(height.min()))
        self._counts += _spread(height, len(self._counts))
        heights = np.concatenate([self._heights, height])
        self._heights = heights[len(fine) :].copy()
        lag = len(self._heights) // 2
        begin, middle, end = (heights[k * lag :][: len(fine)] for k in range(3))
        most = max(WITHIN, STAYING_NOISES * self._noise_left * noise_rms)
        stays = (np.abs(begin - middle) < most) & (np.abs(end - middle) < most)
        self._flat += _spread(middle[stays], len(self._flat))

    def read(self, noise_rms: float) -> HeldFloor | None:
        """Return the floor; ``None`` if troughs end at many heights, or go on below it.

        Parameters
        ----------
        noise_rms : float
            Of m.
        """
        noise = self._noise_left * noise_rms
        at = self._flattest(noise)
        if at is None:
            return None
        height = self._height(at, noise)
        if self._lowest < height - max(DEEPER, DEEPER_NOISES * noise):
            return None
        return HeldFloor(height, ERROR + ERROR_NOISES * noise)

    def _flattest(self, noise: float) -> int | None:
        """Return the bin about which the envelope is most, beside what is below and above."""
        within = _bins(WITHIN, noise)
        above = round((1.0 + ABOVE) * within)
        first = max(within, round((max(LEAST_HEIGHT, LEAST_NOISES * noise) - LOWEST) / BIN))
        places = np.arange(first, len(self._counts) - above)
        if not len(places):
            return None
        until = np.concatenate([[0], np.cumsum(self._counts)])
        there = until[places + within] - until[places - within]
        other = until[places + above] - there
        there[there < LEAST_S * FINE_RATE_HZ] = 0
        ratios = there / np.maximum(1, other)
        best = int(np.argmax(ratios))
        at = int(places[best])
        stays = self._flat[at - within : at + within].sum()
        return at if ratios[best] >= FLATTER and stays >= STAYING * there[best] else None

    def _height(self, at: int, noise: float) -> float:
        """Return the mean of the heights that are the most frequent about a bin."""
        narrow, within = _bins(NARROW, noise), _bins(WITHIN, noise)
        starts = np.arange(at - within, at + within - 2 * narrow + 1)
        until = np.concatenate([[0], np.cumsum(self._counts)])
        start = starts[np.argmax(until[starts + 2 * narrow] - until[starts])]
        near = np.arange(start, start + 2 * narrow)
        return LOWEST + BIN * (0.5 + float(np.average(near, weights=self._counts[near])))


def _spread(heights: Block, size: int) -> NDArray[np.int64]:
    """Return how many of the heights lie in each bin; lower ones count in the first."""
    bins = np.floor((heights[heights < HIGHEST] - LOWEST) / BIN).astype(np.int64)
    return np.bincount(np.maximum(bins, 0), minlength=size)


def _bins(width: float, noise: float) -> int:
    return round(max(width, NOISES * noise) / BIN)
