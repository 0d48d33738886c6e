"""The path simulation against an independent one and against scipy's analogue responses."""

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.antenna import Antenna, ring_samples
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import sections_from_list
from tests.reference import antenna as judge

Array = NDArray[np.float64]
Rows = list[dict[str, Any]]

RATE_HZ = 48_000

PATHS: dict[str, Rows] = {
    "flat": [],
    "second-order 15 Hz": [{"kind": "highpass", "corner_hz": 15.0, "q": 0.7}],
    "transformer": [
        {"kind": "highpass", "corner_hz": 40.0, "q": 0.7},
        {"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},
    ],
    "resonant": [
        {"kind": "highpass", "corner_hz": 40.0, "q": 1.5},
        {"kind": "lowpass", "corner_hz": 5000.0, "q": 2.0},
    ],
    "three poles, 1 Hz": [
        {"kind": "highpass", "corner_hz": 1.0},
        {"kind": "highpass", "corner_hz": 20.0},
        {"kind": "lowpass", "corner_hz": 6000.0},
    ],
}


def path(name: str) -> Path:
    return Path(name=name, sections=sections_from_list(PATHS[name], name))


def speech_like(seconds: float, seed: int = 1) -> Array:
    """Noise up to 8 kHz, keyed on and off with soft edges."""
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    bins = np.fft.rfft(rng.standard_normal(count))
    bins[np.fft.rfftfreq(count, 1 / RATE_HZ) > 8000.0] = 0.0
    keyed = np.clip(np.sin(2 * np.pi * 1.25 * np.arange(count) / RATE_HZ), 0.0, 1.0) ** 2
    return np.asarray(np.fft.irfft(bins, count) * keyed)


def run(antenna: Antenna, samples: Array, cut: int, tail: int = 0) -> Array:
    parts = [antenna.process(samples[i : i + cut]) for i in range(0, len(samples), cut)]
    return np.concatenate([*parts, antenna.finish(tail)])


@pytest.mark.parametrize("name", PATHS)
def test_agrees_with_one_long_transform(name: str) -> None:
    """The whole recording in one transform, written apart from dsp, is the reference."""
    samples = speech_like(4.0)
    found = run(Antenna(path(name), -0.5), samples, cut=16_384, tail=4800)
    bins, count, first = judge.spectrum(samples, RATE_HZ, -0.5, PATHS[name])
    expected = np.fft.irfft(bins, count)[first : first + len(samples) + 4800]
    np.testing.assert_allclose(found, expected, atol=2e-6 * np.abs(expected).max())


@pytest.mark.parametrize("name", list(PATHS)[1:])
@pytest.mark.parametrize("frequency_hz", [30.0, 400.0, 5000.0])
def test_tone_gets_the_analogue_gain(name: str, frequency_hz: float) -> None:
    """scipy.signal's response of the analogue path, relative to 1 kHz."""
    both = np.ones(2, dtype=complex)
    for section in path(name).sections:
        both *= signal.freqs(*section.analogue(), 2 * np.pi * np.array([frequency_hz, 1000.0]))[1]
    gain = abs(both[0]) / abs(both[1])
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    found = run(Antenna(path(name)), np.sin(2 * np.pi * frequency_hz * t), cut=10_000)
    rms = np.sqrt(np.mean(found[2 * RATE_HZ : 3 * RATE_HZ] ** 2))
    assert rms * np.sqrt(2) == pytest.approx(gain, rel=1e-4)


@pytest.mark.parametrize("cut", [1000, 16_384, 100_000])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = speech_like(3.0)
    whole = run(Antenna(path("transformer")), samples, cut=len(samples))
    np.testing.assert_allclose(run(Antenna(path("transformer")), samples, cut), whole, atol=1e-12)


def test_as_many_samples_come_out_as_went_in() -> None:
    for count in (0, 1, 47_000, 70_000):
        samples = np.ones(count)
        assert len(run(Antenna(path("resonant")), samples, cut=4096)) == count
        assert len(run(Antenna(path("resonant")), samples, cut=4096, tail=777)) == count + 777


def test_finish_begins_anew() -> None:
    antenna = Antenna(path("transformer"))
    samples = speech_like(1.0)
    first = run(antenna, samples, cut=4096)
    np.testing.assert_array_equal(run(antenna, samples, cut=4096), first)


def test_ring_is_the_slowest_pole() -> None:
    """exp(-w t) of a first-order corner is 1e-7 at t = 16.1 / w."""
    one_pole = Path(name="one", sections=sections_from_list(PATHS["three poles, 1 Hz"], ""))
    assert ring_samples(one_pole) / RATE_HZ == pytest.approx(16.0 / (2 * np.pi), rel=1e-3)
