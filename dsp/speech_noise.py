"""Noise with the spectrum of speech: the long-term average over talkers of twelve languages."""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.signals import Signal, check_band
from carrierfloor.dsp.stage import Block

# D. Byrne et al., "An international comparison of long-term average speech spectra", J. Acoust.
# Soc. Am. 96, 1994, pp. 2108-2120, table 2: third octaves from 63 Hz to 16 kHz, dB, 70 dB in all.
LEVELS_DB = (
    *(38.6, 43.5, 54.4, 57.7, 56.8, 60.2, 60.3, 59.0, 62.1, 62.1, 60.5, 56.8, 53.7),
    *(53.0, 52.0, 48.7, 48.1, 46.8, 45.6, 44.5, 44.3, 43.7, 43.4, 41.3, 40.7),
)
# Exact edges of these third octaves: IEC 61260-1 (2014), clause 5, base ten.
EDGES_HZ = 1000.0 * 10.0 ** ((np.arange(-12, 14) - 0.5) / 10.0)

PERIOD_S = 8.0  # it repeats after that, so that its peak is known and its memory bounded
FINER = 4  # times finer than the samples: where peaks are looked for
SEED = 1994  # fixed, so that the same noise comes every time


class SpeechNoise(Signal):
    """Noise with random phases and the table's power in each third octave.

    Parameters
    ----------
    lowest_hz, highest_hz : float
        What lies outside is left out.
    sample_rate_hz : int
        Of the samples.

    Raises
    ------
    SettingError
        If the band is too narrow or outside the table.
    """

    def __init__(self, *, lowest_hz: float, highest_hz: float, sample_rate_hz: int) -> None:
        check_band(lowest_hz, highest_hz, sample_rate_hz)
        if lowest_hz > EDGES_HZ[-2] or highest_hz < EDGES_HZ[1]:
            raise SettingError(
                f"lowest and highest are {lowest_hz:g} and {highest_hz:g} Hz; the spectrum of "
                f"speech is known from {EDGES_HZ[1]:.0f} to {EDGES_HZ[-2]:.0f} Hz"
            )
        self.lowest_hz, self.highest_hz = lowest_hz, highest_hz
        self._count = round(PERIOD_S * sample_rate_hz)
        frequency_hz = np.arange(self._count // 2 + 1) / PERIOD_S
        size = np.sqrt(_power(frequency_hz))
        size[(frequency_hz < lowest_hz) | (frequency_hz > highest_hz)] = 0.0
        phase = np.random.default_rng(SEED).uniform(0.0, 2.0 * np.pi, len(size))
        self._frequency_hz = frequency_hz
        self._spectrum = size * np.exp(1j * phase)
        self._spectrum /= self._peak(self._spectrum)
        self._period = np.fft.irfft(self._spectrum, self._count)

    @property
    def rms(self) -> float:
        """Of one period, whose peak is 1.0."""
        return float(np.sqrt(np.mean(self._period**2)))

    def at(self, first: int, count: int) -> Block:
        """Return the samples asked for."""
        return self._period[np.arange(first, first + count) % self._count]

    def peak_after(self, path: Path) -> float:
        """Return the largest magnitude of one period behind the path, between samples too."""
        used = self._spectrum != 0.0
        seen = np.zeros_like(self._spectrum)
        seen[used] = self._spectrum[used] * path.response(self._frequency_hz[used])
        return self._peak(seen)

    def _peak(self, spectrum: NDArray[np.complex128]) -> float:
        return FINER * float(np.abs(np.fft.irfft(spectrum, FINER * self._count)).max())


def _power(frequency_hz: Block) -> Block:
    """Return the power of each line, falling as 1/f inside each third octave."""
    band = np.searchsorted(EDGES_HZ, frequency_hz, side="right") - 1
    inside = (band >= 0) & (band < len(LEVELS_DB))
    power = np.zeros(len(frequency_hz))
    power[inside] = 10.0 ** (np.array(LEVELS_DB)[band[inside]] / 10.0) / frequency_hz[inside]
    return power
