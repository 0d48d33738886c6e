"""Hum and noise against sines and noise of known size; 0 dB is a tone of 100 %."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.emission import FLOOR_DBC
from carrierfloor.dsp.hum_and_noise import HumAndNoise, hum_and_noise
from carrierfloor.dsp.hum_lines import Line
from carrierfloor.dsp.quiet_stretch import Quiet, QuietStretch

Array = NDArray[np.float64]
RATE_HZ = 48_000.0


def line_db(line: Line) -> float:
    return 20.0 * math.log10(line.amplitude)


def cosine(frequency_hz: float, seconds: float = 2.0, phase: float = 0.3) -> Array:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.cos(2 * np.pi * frequency_hz * t + phase))


def white(rms: float, seconds: float = 2.0, seed: int = 1) -> Array:
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def measure(samples: Array) -> HumAndNoise:
    return hum_and_noise(samples, RATE_HZ, 8000.0)


def test_hum_of_known_size() -> None:
    """1 % at 100 Hz is -40 dB of a tone of 100 %, 0.316 % at 50 Hz -50 dB."""
    samples = 0.02 + 0.01 * cosine(100.0) + 10**-2.5 * cosine(50.0) + white(1e-4)
    found = measure(samples)
    assert found.mains_hz == 50.0
    assert [round(line.frequency_hz, 1) for line in found.hum] == [50.0, 100.0]
    assert [found.order(line) for line in found.hum] == [1, 2]
    assert line_db(found.hum[1]) == pytest.approx(-40.0, abs=0.02)
    assert line_db(found.hum[0]) == pytest.approx(-50.0, abs=0.05)
    assert found.hum_db == pytest.approx(10 * math.log10(1e-4 + 1e-5), abs=0.02)


def test_60_hz_mains_a_little_off() -> None:
    found = measure(0.01 * cosine(119.9) + 0.003 * cosine(59.95) + white(1e-4))
    assert found.mains_hz == 60.0
    assert len(found.hum) == 2
    assert not found.other_lines


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_half_a_second_tells_50_from_60_hz(mains_hz: float) -> None:
    lines = 0.01 * cosine(mains_hz, 0.5) + 0.004 * cosine(2 * mains_hz, 0.5)
    found = measure(lines + white(5e-4, 0.5))
    assert found.mains_hz == mains_hz
    assert [line_db(line) for line in found.hum] == pytest.approx([-40.0, -47.96], abs=0.1)


def test_multiples_of_both_do_not_decide() -> None:
    """300 Hz is 6 x 50 and 5 x 60: the ripple of a three-phase rectifier beside a little 100."""
    found = measure(0.02 * cosine(300.0) + 0.002 * cosine(100.0) + white(1e-4))
    assert found.mains_hz == 50.0
    assert len(found.hum) == 2


def test_another_line_is_no_hum() -> None:
    found = measure(0.01 * cosine(437.0) + white(1e-4))
    assert found.mains_hz is None
    assert found.hum == ()
    assert found.hum_db == FLOOR_DBC
    assert found.order(found.other_lines[0]) == 0
    assert line_db(found.other_lines[0]) == pytest.approx(-40.0, abs=0.05)


@pytest.mark.parametrize("rms", [0.01, 0.001])
def test_noise_of_known_size(rms: float) -> None:
    """White to 24 kHz: a part of 7980/24000 is measured; rms r is 20 lg(r sqrt 2)."""
    found = measure(white(rms, seconds=4.0))
    expected = 20 * math.log10(rms * math.sqrt(2) * math.sqrt(7980 / 24_000))
    assert found.noise_db == pytest.approx(expected, abs=0.15)
    assert found.total_db == pytest.approx(expected, abs=0.15)


def test_hum_does_not_count_as_noise() -> None:
    found = measure(0.05 * cosine(100.0) + white(0.001, seconds=2.0))
    expected = 20 * math.log10(0.001 * math.sqrt(2) * math.sqrt(7980 / 24_000))
    assert found.noise_db == pytest.approx(expected, abs=0.3)
    assert found.total_db == pytest.approx(20 * math.log10(0.05), abs=0.02)


def test_silence_is_the_floor() -> None:
    found = measure(np.zeros(48_000))
    assert (found.hum_db, found.noise_db, found.total_db) == (FLOOR_DBC,) * 3


def quiet(samples: Array, cut: int = 4800, locked: NDArray[np.bool_] | None = None) -> Quiet:
    stretch = QuietStretch()
    for start in range(0, len(samples), cut):
        here = slice(start, start + cut)
        stretch.feed(samples[here], None if locked is None else locked[here])
    found = stretch.read()
    assert found is not None
    return found


def test_quietest_stretch_lies_in_the_pause() -> None:
    samples = np.concatenate([white(0.2, 5.0), white(0.002, 3.0), white(0.2, 5.0)])
    found = quiet(samples)
    assert found.duration_s == 2.0
    assert 5.0 <= found.start_s <= 6.0
    np.testing.assert_array_equal(
        found.samples, samples[round(found.start_s * RATE_HZ) :][: len(found.samples)]
    )
    expected_db = 20 * math.log10(100) + 10 * math.log10(10 / 13)
    assert found.below_rest_db == pytest.approx(expected_db, abs=0.3)


def test_a_short_pause_gives_a_short_stretch() -> None:
    samples = np.concatenate([white(0.2, 5.0), white(0.002, 0.8), white(0.2, 5.0)])
    found = quiet(samples)
    assert found.duration_s == 0.5
    assert 5.0 <= found.start_s <= 5.3


def test_speech_all_the_time_is_no_silence() -> None:
    assert quiet(white(0.2, 6.0)).below_rest_db < 1.0


def test_without_a_carrier_it_is_not_silence() -> None:
    samples = np.concatenate([white(0.2, 3.0), np.zeros(3 * 48_000), white(0.1, 3.0)])
    locked = np.ones(len(samples), dtype=bool)
    locked[3 * 48_000 : 6 * 48_000] = False
    assert quiet(samples, locked=locked).start_s >= 6.0


@pytest.mark.parametrize("cut", [777, 12_000, 400_000])
def test_blocks_join_without_a_seam(cut: int) -> None:
    samples = np.concatenate([white(0.2, 2.0), white(0.002, 2.5), white(0.2, 1.0)])
    np.testing.assert_array_equal(quiet(samples, cut).samples, quiet(samples).samples)


def test_too_little_gives_none() -> None:
    stretch = QuietStretch()
    stretch.feed(np.zeros(12_000))
    assert stretch.read() is None
