"""Steady tones against closed forms: Fourier series, powers of sines, IEC 60268-3."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.tone_reading import NoTone, read_tones
from tests.clips import sound

Array = NDArray[np.float64]
RATE_HZ = 48_000.0


def cosine(frequency_hz: float, seconds: float = 2.0, phase: float = 0.3) -> Array:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.cos(2 * np.pi * frequency_hz * t + phase))


def white(rms: float, seconds: float = 2.0, seed: int = 1) -> Array:
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def one(samples: Array, highest_hz: float = 8000.0) -> OneTone:
    reading = read_tones(samples, RATE_HZ, highest_hz)
    assert isinstance(reading, OneTone), reading
    return reading


def two(samples: Array, highest_hz: float = 8000.0) -> TwoTones:
    reading = read_tones(samples, RATE_HZ, highest_hz)
    assert isinstance(reading, TwoTones), reading
    return reading


def none(samples: Array) -> str:
    reading = read_tones(samples, RATE_HZ, 8000.0)
    assert isinstance(reading, NoTone), reading
    return reading.why


@pytest.mark.parametrize("depth", [0.05, 0.3, 0.85, 0.999])
def test_a_clean_tone(depth: float) -> None:
    found = one(depth * cosine(1000.37) + 0.01)
    assert found.frequency_hz == pytest.approx(1000.37, abs=1e-7)
    assert found.amplitude == pytest.approx(depth, abs=1e-9)
    assert found.mean == pytest.approx(0.01, abs=1e-9)
    assert found.thd is not None
    assert found.thd < 1e-9
    assert [harmonic.order for harmonic in found.harmonics] == [2, 3, 4, 5, 6, 7]


def test_harmonics_of_known_level_and_phase() -> None:
    """1 %, 0.5 % and 0.1 % with phases against the peak of the fundamental; THD sqrt of squares."""
    wave = 2 * np.pi * 800.2 * np.arange(96_000) / RATE_HZ + 1.1
    samples = 0.5 * np.cos(wave) + 0.5 * (
        0.01 * np.cos(2 * wave + math.pi / 2) + 0.005 * np.cos(3 * wave + math.pi)
    )
    found = one(samples + 0.0005 * np.cos(5 * wave - 1.0))
    second, third, fourth, fifth = found.harmonics[:4]
    assert second.level_db == pytest.approx(-40.0, abs=1e-4)
    assert second.phase_deg == pytest.approx(90.0, abs=1e-3)
    assert third.level_db == pytest.approx(-46.02, abs=0.001)
    assert abs(third.phase_deg) == pytest.approx(180.0, abs=1e-3)
    assert fourth.level_db < -120.0
    assert fifth.phase_deg == pytest.approx(-math.degrees(1.0), abs=1e-2)
    assert found.thd == pytest.approx(math.sqrt(0.01**2 + 0.005**2 + 0.001**2), rel=1e-6)


@pytest.mark.parametrize("index", [1.05, 1.25, 1.5, 2.0])
def test_harmonics_of_a_carrier_that_cuts_off(index: float) -> None:
    """a_n = (2/pi) integral of (1 + m cos x) cos n x up to arccos(-1/m), by the trapezoidal rule.

    The envelope is made of the series to the 7th, as a channel of 7.5 kHz passes it.
    """
    grid = np.linspace(0.0, math.acos(-1 / index), 20_001)
    series = [
        2 / math.pi * np.trapezoid((1 + index * np.cos(grid)) * np.cos(n * grid), grid)
        for n in range(8)
    ]
    series[0] /= 2
    wave = 2 * np.pi * 1000.37 * np.arange(96_000) / RATE_HZ
    envelope = sum(a * np.cos(n * wave) for n, a in enumerate(series))
    found = one(envelope - 1.0, highest_hz=7500.0)
    assert 1.0 + found.mean == pytest.approx(series[0], abs=1e-7)
    assert found.amplitude == pytest.approx(series[1], abs=1e-7)
    for harmonic in found.harmonics:
        assert harmonic.amplitude == pytest.approx(abs(series[harmonic.order]), abs=1e-7)
    expected = math.sqrt(sum(a**2 for a in series[2:])) / series[1]
    assert found.thd == pytest.approx(expected, abs=1e-6)


def test_a_tone_in_noise_and_hum() -> None:
    """Noise of 1 % rms and hum of 1 % beside a tone of 50 %."""
    samples = 0.5 * cosine(1000.0) + white(0.01) + 0.01 * cosine(100.0)
    found = one(samples)
    assert found.amplitude == pytest.approx(0.5, abs=2e-3)
    assert found.thd is not None
    assert found.thd < 0.002
    assert not any(found.is_certain(harmonic) for harmonic in found.harmonics)
    rest = math.sqrt(0.01**2 + 0.01**2 / 2)
    assert found.rest_rms == pytest.approx(rest, rel=0.02)


def test_a_harmonic_that_stands_clear_of_the_noise_is_certain() -> None:
    found = one(0.5 * cosine(1000.0) + 0.002 * cosine(2000.0) + white(0.01))
    assert found.is_certain(found.harmonics[0])
    assert found.harmonics[0].amplitude == pytest.approx(0.002, abs=3 * found.error)


def test_a_high_tone_has_no_harmonics_in_reach() -> None:
    assert one(0.5 * cosine(5000.0)).thd is None


def test_strong_hum_beside_a_tone_is_no_second_tone() -> None:
    assert one(0.3 * cosine(1000.0) + 0.05 * cosine(100.0)).rest_rms == pytest.approx(
        0.05 / math.sqrt(2), rel=0.01
    )


def test_difference_frequency_distortion() -> None:
    """IEC 60268-3, 14.12.8: tones 0.5 + 0.5 through x + 0.1 x^2 + 0.1 x^3.

    Fundamentals 0.528125, IM2 0.025 (-26.50 dB), IM3 0.009375 each (-35.02 dB), d2 0.023669,
    d3 0.017751; of 700 and 1900 Hz the product 2 f1 - f2 = -500 Hz lands on +500 Hz.
    """
    x = 0.5 * cosine(700.0) + 0.5 * cosine(1900.0, phase=1.7)
    found = two(x + 0.1 * x**2 + 0.1 * x**3)
    assert found.low == pytest.approx(0.528125)
    assert found.high == pytest.approx(0.528125)
    assert found.suits == "difference"
    assert found.difference_second == pytest.approx(0.023669, abs=5e-7)
    assert found.difference_third == pytest.approx(0.017751, abs=5e-7)
    assert found.third_order_db == pytest.approx(-35.02, abs=0.005)
    lines = {(product.p, product.q): product for product in found.products}
    folded = lines[2, -1]
    assert folded.folded
    assert folded.frequency_hz == pytest.approx(500.0, abs=1e-6)
    assert folded.amplitude == pytest.approx(0.009375, abs=1e-8)
    assert lines[1, -2].frequency_hz == pytest.approx(3100.0, abs=1e-6)
    assert not lines[1, 1].folded
    assert lines[1, -1].amplitude == pytest.approx(0.025, abs=1e-8)
    assert 20 * math.log10(0.025 / 0.528125) == pytest.approx(-26.50, abs=0.005)


def test_modulation_distortion() -> None:
    """IEC 60268-3, 14.12.7: 60 and 7000 Hz, 4:1, through x + 0.1 x^2: d2 = 2 x 0.1 x 0.8 = 0.16."""
    x = 0.8 * cosine(60.0) + 0.2 * cosine(7000.0)
    found = two(x + 0.1 * x**2)
    assert found.suits == "modulation"
    assert found.modulation_second == pytest.approx(0.16, abs=1e-6)
    assert found.modulation_third == pytest.approx(0.0, abs=1e-6)


def test_modulation_distortion_of_third_order() -> None:
    """x + b x^3: lines f2 +- 2 f1 are 3/4 b A1^2 A2 each, over the f2 that comes out."""
    x = 0.8 * cosine(60.0) + 0.2 * cosine(7000.0)
    found = two(x + 0.05 * x**3)
    upper = 0.2 + 0.05 * (0.75 * 0.2**3 + 1.5 * 0.2 * 0.8**2)
    assert found.high == pytest.approx(upper, abs=1e-6)
    assert found.modulation_third == pytest.approx(2 * 0.75 * 0.05 * 0.64 * 0.2 / upper, abs=1e-6)


def test_products_out_of_reach_give_no_figure() -> None:
    found = two(0.4 * cosine(60.0) + 0.1 * cosine(7000.0), highest_hz=7020.0)
    assert found.modulation_second is None
    assert found.amplitude_of(1, -1) == pytest.approx(0.0, abs=1e-9)


def test_products_on_one_line_are_named_together_and_give_no_figure() -> None:
    """Of 1000 and 1500 Hz both f2 - f1 and 2 f1 - f2 are 500 Hz."""
    found = two(0.3 * cosine(1000.0) + 0.3 * cosine(1500.0))
    at_500 = [product for product in found.products if abs(product.frequency_hz - 500.0) < 1.0]
    assert len(at_500) == 1
    assert {(1, -1), (2, -1)} <= {(at_500[0].p, at_500[0].q), *at_500[0].shared_with}
    assert found.difference_second is None
    assert found.difference_third is None


@pytest.mark.parametrize("rms", [0.1, 0.3])
def test_noise_is_no_tone(rms: float) -> None:
    assert "%" in none(white(rms))


def test_silence_is_no_tone() -> None:
    assert none(np.zeros(48_000)) == "the strongest line is 0 % of modulation"


def test_hum_alone_is_no_tone() -> None:
    why = none(0.05 * cosine(100.0) + 0.01 * cosine(50.0))
    assert why == "the strongest line is hum at 100.0 Hz"


def test_too_short_is_said() -> None:
    assert none(0.5 * cosine(1000.0, seconds=0.3)) == "0.3 s are too short; 0.5 s are needed"


def test_a_step_of_level_is_not_steady() -> None:
    samples = 0.5 * cosine(1000.0)
    samples[:48_000] *= 0.7
    assert "from part to part" in none(samples)


def test_a_glide_is_not_steady() -> None:
    t = np.arange(96_000) / RATE_HZ
    assert none(0.5 * np.cos(2 * np.pi * (1000.0 + 20.0 * t) * t))


def test_a_slow_drift_of_pitch_is_still_a_tone() -> None:
    """0.01 Hz/s, as of a poor oscillator."""
    t = np.arange(96_000) / RATE_HZ
    assert one(0.5 * np.cos(2 * np.pi * (1000.0 + 0.005 * t) * t)).amplitude == pytest.approx(
        0.5, rel=1e-3
    )


@pytest.mark.parametrize("clip", ["evening_round_male", "F1_harvard_phrases"])
def test_no_half_second_of_speech_is_a_tone(clip: str) -> None:
    samples = sound(clip)[: 6 * 48_000]
    samples = samples / np.abs(samples).max()
    for start in range(0, len(samples) - 24_000, 24_000):
        assert none(samples[start : start + 24_000])
