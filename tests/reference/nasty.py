"""Signals and transmitter paths that are hard on a peak controller; seeded, 48 kHz, mono."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
RATE_HZ = 48_000


def square() -> Array:
    """120 Hz square wave at full scale, beginning and ending in the middle of the sound."""
    return np.where(_time(1.0) * 120 % 1.0 < 0.5, 1.0, -1.0)


def white_noise() -> Array:
    """Gaussian noise of 0.3 rms."""
    return np.random.default_rng(1).normal(0.0, 0.3, RATE_HZ)


def impulses() -> Array:
    """Single full-scale samples, both signs, at random distances of 1 to 200 ms."""
    random = np.random.default_rng(2)
    samples = np.zeros(RATE_HZ)
    places = np.cumsum(random.integers(48, 9600, 40))
    places = places[places < len(samples)]
    samples[places] = random.choice([-1.0, 1.0], len(places))
    samples[[0, -1]] = 1.0, -1.0
    return samples


def dc_step() -> Array:
    """Silence, then half of full scale as a constant, then minus that."""
    return np.concatenate((np.zeros(12_000), np.full(18_000, 0.5), np.full(18_000, -0.5)))


def silence_then_shout() -> Array:
    """One second of silence, then a loud buzz with the formants of an open vowel, at once."""
    t = _time(0.6)
    shout = np.zeros_like(t)
    for harmonic in range(1, 30):
        f = 210.0 * harmonic
        level = 1 / (1 + ((f - 900) / 300) ** 2) + 0.5 / (1 + ((f - 2600) / 500) ** 2)
        shout += level * np.cos(2 * np.pi * f * t + 0.3 * harmonic)
    return np.concatenate((np.zeros(RATE_HZ), 0.9 * shout / np.abs(shout).max()))


def pulse_train_up() -> Array:
    """Strongly asymmetric: narrow upward pulses at 110 Hz, as a deep voice close to the mouth."""
    t = _time(1.5)
    train = np.zeros_like(t)
    for n in range(1, 45):
        train += np.exp(-n / 12) * np.cos(2 * np.pi * 110 * n * t)
    swell = 0.6 + 0.4 * np.sin(2 * np.pi * 1.7 * t)
    return swell * train / float(np.abs(train).max())


def pulse_train_down() -> Array:
    """The same with its pulses downward."""
    return -pulse_train_up()


def sweep() -> Array:
    """20 Hz to 8 kHz at full scale, exponential."""
    length_s = 2.5
    scale = length_s / np.log(8000 / 20)
    return np.asarray(np.sin(2 * np.pi * 20 * scale * (np.exp(_time(length_s) / scale) - 1)))


def nan_and_infinity() -> Array:
    """A tone with bursts of NaN and of both infinities in it."""
    samples = 0.7 * np.sin(2 * np.pi * 440 * _time(1.0))
    samples[5000:5300] = np.nan
    samples[15_000:15_010] = np.inf
    samples[25_000:25_200] = -np.inf
    samples[30_000:30_100:2] = np.nan
    samples[-1] = np.inf
    return samples


def forty_db_over() -> Array:
    """Noise in bursts, a hundred times full scale."""
    random = np.random.default_rng(3)
    bursts = np.repeat(random.integers(0, 2, 20), RATE_HZ // 20)
    return 100.0 * np.clip(random.normal(0.0, 0.5, len(bursts)), -1, 1) * bursts


def _time(length_s: float) -> Array:
    return np.arange(round(length_s * RATE_HZ)) / RATE_HZ


SIGNALS: dict[str, Callable[[], Array]] = {
    make.__name__: make
    for make in (
        square,
        white_noise,
        impulses,
        dc_step,
        silence_then_shout,
        pulse_train_up,
        pulse_train_down,
        sweep,
        nan_and_infinity,
        forty_db_over,
    )
}


def _second_order(kind: str, corner_hz: float, q: float = 0.7) -> dict[str, object]:
    return {"kind": kind, "corner_hz": corner_hz, "q": q}


def _first_order(kind: str, corner_hz: float) -> dict[str, object]:
    return {"kind": kind, "corner_hz": corner_hz}


_TRANSFORMER = [_second_order("highpass", 40), _second_order("lowpass", 7000)]
_EXCITER = [_second_order("highpass", 80), _second_order("lowpass", 6000)]
_RESONANT = [_second_order("highpass", 40, 1.5), _second_order("lowpass", 5000, 2.0)]
_POLES = [_first_order("highpass", 20), _first_order("highpass", 35), _first_order("lowpass", 6000)]
_SHAPED = [
    _second_order("highpass", 30),
    {"kind": "peak", "centre_hz": 900.0, "gain_db": 3.0, "q": 0.8},
    {"kind": "lowshelf", "corner_hz": 200.0, "gain_db": -4.0},
    {"kind": "highshelf", "corner_hz": 2500.0, "gain_db": 4.0, "q": 0.6},
]

# Each rig here has a list of paths; a path is a list of sections as in a rig file.
PATHS: dict[str, list[list[dict[str, object]]]] = {
    "none": [],
    "second-order 15 Hz": [[_second_order("highpass", 15)]],
    "second-order 40 Hz and 7 kHz": [_TRANSFORMER],
    "second-order 80 Hz and 6 kHz": [_EXCITER],
    "resonant 40 Hz and 5 kHz": [_RESONANT],
    "three poles": [_POLES],
    "three paths at once": [_TRANSFORMER, _RESONANT, _POLES],
    "peak and shelves": [_SHAPED],
}
