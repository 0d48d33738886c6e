"""Tops between samples against closed forms and EBU Tech 3341's true-peak cases."""

import numpy as np
import pytest

from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.true_peak import REACH, interpolator_taps, top_near

TAPS = interpolator_taps()


def highest(samples: Block, sign: float = 1.0) -> float:
    """The highest of all tops."""
    signed = sign * samples
    tops = [
        top_near(TAPS, samples, at, sign)
        for at in range(2 * REACH, len(samples) - 2 * REACH)
        if signed[at] >= signed[at - 1] and signed[at] >= signed[at + 1]
    ]
    return max(tops)


@pytest.mark.parametrize("frequency_hz", [300.0, 1000.0, 3000.0, 5000.0, 6000.0, 7000.0])
def test_a_sine_reaches_its_amplitude(frequency_hz: float) -> None:
    for phase in np.linspace(0.0, 2 * np.pi, 17):
        sine = np.sin(2 * np.pi * frequency_hz / 48_000 * np.arange(600) + phase)
        assert highest(sine) == pytest.approx(1.0, abs=2e-6)
        assert highest(sine, -1.0) == pytest.approx(1.0, abs=2e-6)


@pytest.mark.parametrize(
    ("divisor", "level", "phase_deg", "expected_db"),
    [(6, 0.50, 60.0, -6.0), (8, 0.50, 67.5, -6.0)],
)
def test_ebu_tech_3341_true_peak_cases(
    divisor: int, level: float, phase_deg: float, expected_db: float
) -> None:
    """EBU Tech 3341 table 1, cases 17 and 18: tolerance +0.2/-0.4 dB.

    Cases 15, 16 and 19 lie at fs/4 = 12 kHz, above the band of this interpolator.
    """
    n = np.arange(4800)
    tone = level * np.sin(2 * np.pi * n / divisor + np.radians(phase_deg))
    reading_db = 20 * np.log10(highest(tone))
    assert expected_db - 0.4 <= reading_db <= expected_db + 0.2
    assert reading_db == pytest.approx(20 * np.log10(level), abs=0.001)


def test_under_read_of_samples_alone() -> None:
    """ITU-R BS.1770-5 Annex 2, attachment 1: samples can hide -20 log10 cos(pi f / fs) dB."""
    tone = np.cos(2 * np.pi * 4800.0 / 48_000 * (np.arange(480) + 0.5))
    hidden_db = -20 * np.log10(tone.max())
    assert hidden_db == pytest.approx(-20 * np.log10(np.cos(np.pi * 4800 / 48_000)), abs=1e-6)
    assert highest(tone) == pytest.approx(1.0, abs=2e-6)


def test_speech_band_noise_against_a_long_interpolation() -> None:
    """Zero-padding the spectrum, 64 times, is the exact band-limited interpolation."""
    spectrum = np.zeros(2401, dtype=complex)
    rng = np.random.default_rng(2)
    spectrum[10:600] = rng.standard_normal(590) + 1j * rng.standard_normal(590)  # up to 6 kHz
    coarse = np.fft.irfft(spectrum, 4800)
    fine = 64 * np.fft.irfft(spectrum, 64 * 4800)
    inside = fine[64 * 2 * REACH : -64 * 2 * REACH]
    assert highest(coarse) == pytest.approx(inside.max(), rel=5e-5)
    assert highest(coarse, -1.0) == pytest.approx(-inside.min(), rel=5e-5)
