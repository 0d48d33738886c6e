"""Signals for the tests of the level stages."""

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 48_000
Audio = NDArray[np.float64]


def tone(rms_db: float, seconds: float, frequency_hz: float = 1000.0) -> Audio:
    """A sine with the given rms, 0 dB = rms 1."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    out: Audio = np.sqrt(2.0) * 10.0 ** (rms_db / 20.0) * np.sin(2 * np.pi * frequency_hz * t)
    return out


def noise(rms_db: float, seconds: float, seed: int = 1) -> Audio:
    """White noise with the given rms."""
    drawn = np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))
    return np.asarray(drawn * 10.0 ** (rms_db / 20.0), dtype=np.float64)


def syllables(rms_db: float, seconds: float, seed: int = 2) -> Audio:
    """Bursts of 150 ms every 250 ms, whose own rms is as given: moves as speech does."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return noise(rms_db, seconds, seed) * (t % 0.25 < 0.15)


def rms_db(audio: Audio) -> float:
    """Level of a signal, 0 dB = rms 1."""
    return float(10.0 * np.log10(np.mean(audio**2) + 1e-30))


def window(audio: Audio, start_s: float, stop_s: float) -> Audio:
    """The part of a signal between two times."""
    return audio[round(start_s * RATE_HZ) : round(stop_s * RATE_HZ)]
