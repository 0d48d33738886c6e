"""The averaged period of a tone against closed forms of a final that is cut off.

Fourier, with u = arccos(-1/m): mean (u + m sin u)/pi, and cos(n x) has the amplitude
(2/pi) times the integral of (1 + m cos x) cos nx from 0 to u.
"""

import math

import numpy as np
import pytest
from scipy import integrate

from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.tone_envelope import read_tone


def received(
    index: float,
    frequency_hz: float,
    half_width_hz: float,
    noise: float = 0.0,
    seconds: float = 3.0,
) -> Block:
    """Return m, limited to a band by leaving its higher lines out."""
    t = np.arange(round(seconds * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    m = np.full(len(t), amplitude(0, index) - 1.0)
    for order in range(1, int(half_width_hz / frequency_hz) + 1):
        m += amplitude(order, index) * np.cos(2 * np.pi * order * frequency_hz * t + order * 0.7)
    random = np.random.default_rng(8)
    hiss = np.fft.rfft(random.normal(size=len(t)))
    hiss[np.fft.rfftfreq(len(t), 1 / SAMPLE_RATE_HZ) > half_width_hz] = 0.0
    in_band = np.fft.irfft(hiss, len(t))
    return np.asarray(m + noise * in_band / in_band.std())


def amplitude(order: int, index: float) -> float:
    """Return the amplitude of a line of max(0, 1 + m cos x), by numerical integration."""
    u = math.acos(-1.0 / index) if index > 1.0 else math.pi

    def weighed(x: float) -> float:
        return (1.0 + index * math.cos(x)) * math.cos(order * x)

    integral = integrate.quad(weighed, 0.0, u, limit=200)[0]
    return float(integral * (1.0 if order == 0 else 2.0) / math.pi)


@pytest.mark.parametrize("index", [0.3, 0.5, 0.85, 0.95, 1.0, 1.05, 1.25, 2.0])
@pytest.mark.parametrize(
    ("frequency_hz", "half_width_hz"), [(400, 8000), (1000, 8000), (997, 5100)]
)
def test_peaks_of_a_tone(index: float, frequency_hz: float, half_width_hz: float) -> None:
    """Within 0.02 % of modulation, corners included, though no line beyond the band is heard."""
    tone = read_tone(received(index, frequency_hz, half_width_hz), frequency_hz, half_width_hz)
    assert tone is not None
    assert tone.positive_peak == pytest.approx(index, abs=2e-4)
    assert tone.negative_peak == pytest.approx(min(1.0, index), abs=2e-4)
    assert tone.wanted_depth == pytest.approx(index, abs=2e-3)
    assert tone.wanted_mean == pytest.approx(1.0, abs=5e-4)
    off = math.acos(1.0 / index) / math.pi if index > 1.0 else 0.0
    assert tone.off_share == pytest.approx(off, abs=1e-3)
    assert tone.is_cut_off == (index > 1.0)
    assert tone.rest_rms < 2e-4


def test_splatter_lines() -> None:
    """20 lg of half the amplitude: m 1.25 has -30.9, -32.8, -35.8 and -40.3 dB at 2 f to 5 f."""
    tone = read_tone(received(1.25, 1000.0, 8000.0, 0.009), 1000.0, 8000.0)
    assert tone is not None
    lines_db = 20.0 * np.log10(np.abs(tone.lines[2:6]) / 2.0)
    np.testing.assert_allclose(lines_db, [-30.9, -32.8, -35.8, -40.3], atol=0.5)


@pytest.mark.parametrize("index", [0.5, 0.95, 1.05, 1.25])
def test_noise_averages_out(index: float) -> None:
    """A carrier 40 dB over the noise in 10 kHz: 0.9 % rms in 16 kHz; within 0.1 % of modulation."""
    tone = read_tone(received(index, 1000.0, 8000.0, 0.009), 1000.0, 8000.0)
    assert tone is not None
    assert tone.positive_peak == pytest.approx(index, abs=1e-3)
    assert tone.negative_peak == pytest.approx(min(index, 1.0), abs=1e-3)
    assert tone.error < 5e-4
    assert tone.rest_rms == pytest.approx(0.009, rel=0.1)
    assert tone.is_cut_off == (index > 1.0)


def test_a_floor_under_the_envelope_is_no_cutoff() -> None:
    """An ideal diode at 2 % of the carrier: no tone cut off at zero has these lines."""
    t = np.arange(4096) * 2 * np.pi / 4096
    lines = np.fft.rfft(np.maximum(0.02, 1.0 + 1.25 * np.cos(t))) / 4096
    times = np.arange(2 * SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    m = np.full(len(times), lines[0].real - 1.0)
    for order in range(1, 17):
        m += 2.0 * lines[order].real * np.cos(2 * np.pi * order * 500.0 * times)
    tone = read_tone(m, 500.0, 8000.0)
    assert tone is not None
    assert not tone.is_cut_off


def test_a_detector_that_does_not_see_so_far() -> None:
    m = received(1.25, 1000.0, 8000.0)
    deaf, keen = (read_tone(m, 1000.0, 8000.0, least) for least in (0.3, 0.2))
    assert deaf is not None
    assert keen is not None
    assert not deaf.is_cut_off
    assert keen.is_cut_off


def test_too_short_to_average() -> None:
    assert read_tone(np.zeros(100), 1000.0, 8000.0) is None
