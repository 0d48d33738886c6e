"""Deconvolution of an exponential sweep: one impulse response for each harmonic.

A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", 108th AES Convention, 2000.  The k-th harmonic of the sweep is the sweep itself, ahead
by L ln k, but for a constant phase; so a capture divided by the sweep holds the response of the
path and, ahead of it, those of its harmonics, one clear of the other.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_recognition import KnownSweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

REGULARISATION = 1e-4  # of the sweep's energy at its highest frequency
HIGHEST_ORDER = 5
LONGEST_BEFORE_S, LONGEST_AFTER_S = 0.25, 1.0  # of the linear response's window
# Share of the way to the neighbours that a window takes; a response rings on, it has no forerunner.
BEFORE_SHARE, AFTER_SHARE = 0.2, 0.7
GAP = (0.6, 0.05)  # of the way to the second harmonic: where nothing but noise is, up to BEFORE


def stretched(sweep: KnownSweep, clock_ppm: float) -> Block:
    """Return the sweep as it would be recorded on another clock, shape (n,).

    Parameters
    ----------
    sweep : KnownSweep
        What was played.
    clock_ppm : float
        How much longer it takes on the other clock, 1e-6.
    """
    stretch = 1.0 + 1e-6 * clock_ppm
    played, one = sweep.played, sweep.sweep
    position = np.arange(math.ceil(one.samples * stretch)) / stretch
    growth = 1.0 / (one.time_constant_s * one.sample_rate_hz)
    turns = one.lowest_hz * one.time_constant_s * np.expm1(position * growth)
    fade = np.minimum(position, one.samples - 1.0 - position)
    done = np.clip((fade + 0.5) / played.ramp_samples, 0.0, 1.0)
    gain = played.peak * (0.5 - 0.5 * np.cos(np.pi * done))
    return np.asarray(gain * np.sin(2.0 * np.pi * turns))


@dataclass(frozen=True)
class Window:
    """A stretch of the impulse response, faded at both ends."""

    first: int  # lag in samples of its first value, 0 = the linear response begins
    gain: Floats

    @property
    def energy(self) -> float:
        """Sum of the squared gains."""
        return float(np.dot(self.gain, self.gain))


class Deconvolution:
    """A capture divided by a sweep.

    Parameters
    ----------
    capture : ndarray, shape (n,)
        What was recorded.
    sweep : KnownSweep
        What was played.
    clock_ppm : float
        How much longer the sweep takes in the capture.
    delay : int or None
        Where in the capture the sweep begins, in samples; ``None``: find it.

    Attributes
    ----------
    delay : int
        As found or given.
    linear : Window
        That of the linear response.
    """

    def __init__(
        self, capture: Block, sweep: KnownSweep, clock_ppm: float = 0.0, delay: int | None = None
    ) -> None:
        self._rate_hz = sweep.sweep.sample_rate_hz
        self._time_constant = sweep.sweep.time_constant_s * (1.0 + 1e-6 * clock_ppm) * self._rate_hz
        reference = stretched(sweep, clock_ppm)
        self._length = len(capture)
        self._size = fft.next_fast_len(len(capture) + len(reference), real=True)
        self._reference = fft.rfft(reference, self._size)
        energy = np.abs(self._reference) ** 2
        top = round(0.97 * sweep.sweep.highest_hz / self._rate_hz * self._size)
        self._inverse = self._reference.conj() / (energy + REGULARISATION * energy[top])
        self.divide(capture)
        self.delay = self._loudest() if delay is None else delay
        self.linear = self._linear_window()

    def divide(self, capture: Block) -> None:
        """Take another capture of the same length, such as the same without its hum."""
        self.impulses = fft.irfft(fft.rfft(capture, self._size) * self._inverse, self._size)

    def _loudest(self) -> int:
        """Return the lag of the highest value; a lag beyond the capture is a negative one."""
        at = int(np.argmax(np.abs(self.impulses)))
        return at if at < self._length else at - self._size

    def _linear_window(self) -> Window:
        ahead = self._time_constant * math.log(2.0)  # of the second harmonic
        before = round(min(LONGEST_BEFORE_S * self._rate_hz, BEFORE_SHARE * ahead))
        after = round(LONGEST_AFTER_S * self._rate_hz)
        return _faded(-before, before + after, before // 2, after // 2)

    def advance(self, order: int) -> float:
        """Return how far ahead of the linear response a harmonic lies, in samples: L ln k."""
        return self._time_constant * math.log(order)

    def harmonic_window(self, order: int) -> Window:
        """Return the window of a harmonic."""
        at = -self.advance(order)
        to_next = self.advance(order) - self.advance(order - 1)
        to_last = self.advance(order + 1) - self.advance(order)
        before, after = round(BEFORE_SHARE * to_last), round(AFTER_SHARE * to_next)
        return _faded(math.floor(at) - before, before + after, before // 2, after // 2)

    def gap_window(self) -> Window:
        """Return a window between the second harmonic and the linear response: noise only."""
        ahead = self.advance(2)
        first = -round(GAP[0] * ahead)
        last = min(-1, self.linear.first - round(GAP[1] * ahead))
        length = max(16, last - first)
        return _faded(first, length, length // 2, length - length // 2)

    def cut(self, window: Window) -> Floats:
        """Return a stretch of the impulse response under its window."""
        lags = np.arange(window.first, window.first + len(window.gain)) + self.delay
        return np.asarray(self.impulses[lags % self._size] * window.gain)

    def spectrum(self, window: Window, origin: float, size: int) -> Complexes:
        """Return the spectrum of a stretch.

        Parameters
        ----------
        window : Window
            Which stretch.
        origin : float
            The lag that counts as time zero, in samples.
        size : int
            Of the transform, in samples.
        """
        turn = 2j * np.pi * np.arange(size // 2 + 1) / size
        return np.asarray(
            fft.rfft(self.cut(window), size) * np.exp(-turn * (window.first - origin))
        )

    def explained(self, windows: list[Window]) -> Block:
        """Return what the windows' responses make of the sweep, as long as the capture."""
        kept = np.zeros(self._size)
        for window in windows:
            lags = np.arange(window.first, window.first + len(window.gain)) + self.delay
            kept[lags % self._size] += self.cut(window)
        return np.asarray(fft.irfft(fft.rfft(kept) * self._reference, self._size)[: self._length])


def _faded(first: int, length: int, rise: int, fall: int) -> Window:
    gain = np.ones(length)
    gain[:rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    gain[length - fall :] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return Window(first, gain)
