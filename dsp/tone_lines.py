"""The lines of a steady tone in a signal, fifty times a second: its mean, its harmonics, the noise.

Each look takes 40 ms under a Hann window, so that neither hum nor noise more than 50 Hz beside a
line gets into it.  Phases are those of oscillators that began with the first sample.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LOOK = 1920  # samples: 40 ms
STEP = LOOK // 2
MOST_HARMONICS = 16
LOWEST_HZ, HIGHEST_HZ = 200.0, 5000.0  # of the tone
BETWEEN = 1.5  # times the frequency: no line is there, only noise


@dataclass(frozen=True, kw_only=True)
class ToneTrack:
    """What was seen, one row a look.

    Row k is centred on sample ``first_sample + k STEP``.  The signal near it is the real part of
    the sum of ``lines[k, h] exp(2 pi j h f t)`` over all h.
    """

    frequency_hz: float
    lines: NDArray[np.complex128]  # shape (looks, harmonics + 1)
    noise: Block  # amplitude of the line where none should be
    locked: NDArray[np.bool_]  # whether there was a carrier all the time

    @property
    def times_s(self) -> Block:
        """The middle of each look."""
        middles = np.arange(len(self.noise), dtype=np.float64) * STEP + (LOOK - 1) / 2.0
        return np.asarray(middles / SAMPLE_RATE_HZ)

    @property
    def duration_s(self) -> float:
        """From the beginning of the first look to the end of the last."""
        return ((len(self.noise) - 1) * STEP + LOOK) / SAMPLE_RATE_HZ if len(self.noise) else 0.0


class ToneLines:
    """Look at a stream at 48 kHz; an hour takes 50 MB.

    Parameters
    ----------
    frequency_hz : float
        Of the tone: 200 to 5000 Hz.
    highest_hz : float
        Harmonics beyond are not looked at.

    Raises
    ------
    SettingError
        If the frequency is out of range.
    """

    def __init__(self, frequency_hz: float, highest_hz: float) -> None:
        if not LOWEST_HZ <= frequency_hz <= HIGHEST_HZ:
            raise SettingError(
                f"the tone is at {frequency_hz:g} Hz; it must be {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz"
            )
        self.frequency_hz = frequency_hz
        self._harmonics = max(1, min(MOST_HARMONICS, int(highest_hz / frequency_hz)))
        self._orders = np.append(np.arange(self._harmonics + 1.0), BETWEEN)
        turns = np.outer(self._orders, np.arange(LOOK)) * frequency_hz / SAMPLE_RATE_HZ
        window = np.hanning(LOOK + 1)[:-1]  # periodic, so that looks half a window apart add up
        self._looks = (2.0 * window / window.sum() * np.exp(-2j * np.pi * turns)).T
        self._looks[:, 0] /= 2.0  # the mean has no mirror image
        self._signal, self._locked = np.zeros(0), np.zeros(0, dtype=bool)
        self._begin = 0  # the sample where the signal kept begins
        self._rows: list[Complex] = []
        self._locks: list[NDArray[np.bool_]] = []

    def feed(self, block: Block, locked: NDArray[np.bool_] | None = None) -> None:
        """Take the next samples, shape (n,), and whether each had a carrier."""
        whole = np.ones(len(block), dtype=bool) if locked is None else locked
        self._signal = np.concatenate([self._signal, block])
        self._locked = np.concatenate([self._locked, whole])
        looks = max(0, (len(self._signal) - LOOK) // STEP + 1)
        if not looks:
            return
        windows = np.lib.stride_tricks.sliding_window_view
        seen = windows(self._signal, LOOK)[: looks * STEP : STEP] @ self._looks
        starts = self._begin + STEP * np.arange(looks)
        turns = np.outer(starts * (self.frequency_hz / SAMPLE_RATE_HZ), self._orders)
        self._rows.append(seen * np.exp(-2j * np.pi * turns))
        locks = windows(self._locked, LOOK)[: looks * STEP : STEP]
        self._locks.append(np.logical_and.reduce(locks, axis=1))
        self._signal, self._locked = self._signal[looks * STEP :], self._locked[looks * STEP :]
        self._begin += looks * STEP

    def read(self) -> ToneTrack:
        """Return all that was seen."""
        empty = np.zeros((0, len(self._orders)), dtype=np.complex128)
        rows = np.concatenate([empty, *self._rows])
        return ToneTrack(
            frequency_hz=self.frequency_hz,
            lines=rows[:, :-1],
            noise=np.abs(rows[:, -1]),
            locked=np.concatenate([np.zeros(0, dtype=bool), *self._locks]),
        )
