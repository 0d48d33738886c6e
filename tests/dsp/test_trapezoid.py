"""The trapezoid of modulators whose bend is known in closed form."""

import numpy as np
import pytest

from carrierfloor.dsp.trapezoid import (
    COMPRESSED,
    CUT_OFF,
    HELD_UP,
    ROUNDED,
    STRAIGHT_END,
    STRETCHED,
    Trapezoid,
    TrapezoidMeter,
)
from tests.clips import Array


def swing(lowest: float, highest: float, samples: int = 400_000) -> Array:
    """Audio that is everywhere between two values equally often."""
    return np.random.default_rng(1).uniform(lowest, highest, samples)


def pattern(audio: Array, envelope: Array, noise_rms: float = 0.0) -> Trapezoid:
    meter = TrapezoidMeter()
    for k in range(0, len(audio), 70_000):
        part = slice(k, k + 70_000)
        known = np.ones(len(audio[part]), dtype=bool)
        meter.feed(audio[part], envelope[part] - 1.0, known)
    read = meter.read(noise_rms)
    assert read is not None
    return read


def test_straight_sides() -> None:
    audio = swing(-0.9, 1.2)
    found = pattern(audio, 1.0 + 1.1 * audio)
    assert found.slope == pytest.approx(1.1, abs=1e-3)
    assert found.at_rest == pytest.approx(1.0, abs=1e-3)
    assert found.linearity < 5e-4
    assert (found.upper, found.lower) == (STRAIGHT_END, STRAIGHT_END)
    assert found.explained > 0.9999


def test_linearity_of_a_parabola() -> None:
    """x + b x^2 on [-s, s] lies b s^2 / 2 beside its best line (Chebyshev's T2)."""
    audio = swing(-0.8, 0.8)
    found = pattern(audio, 1.0 + audio + 0.1 * audio**2)
    assert found.linearity == pytest.approx(0.1 * 0.8**2 / 2, abs=1e-3)
    assert (found.upper, found.lower) == (STRETCHED, ROUNDED)


def test_compressed_crests() -> None:
    """Above 0.8 only 60 % of the rest: at 1.2 that is 16 % of the carrier too little."""
    audio = swing(-0.9, 1.2)
    bent = audio - 0.4 * np.maximum(0.0, audio - 0.8)
    found = pattern(audio, 1.0 + bent)
    assert found.upper == COMPRESSED
    assert found.upper_deviation == pytest.approx(-0.16, abs=0.025)  # a mean over the end
    assert found.lower == STRAIGHT_END
    assert found.lower_deviation == pytest.approx(0.0, abs=1e-3)


@pytest.mark.parametrize(("floor", "word"), [(0.0, CUT_OFF), (0.06, HELD_UP)])
def test_what_becomes_of_the_trough(floor: float, word: str) -> None:
    audio = swing(-1.3, 1.0)
    found = pattern(audio, np.maximum(floor, 1.0 + audio))
    assert found.lower == word
    assert found.upper == STRAIGHT_END


def test_ellipse_of_a_phase_shift() -> None:
    """Of a sine against one that is late by phi, sin^2 phi of the power is not explained."""
    phase = np.random.default_rng(2).uniform(0.0, 2.0 * np.pi, 400_000)
    found = pattern(0.8 * np.cos(phase), 1.0 + 0.8 * np.cos(phase - 0.3))
    assert found.explained == pytest.approx(np.cos(0.3) ** 2, abs=0.01)
    assert found.residual == pytest.approx(0.8 * np.sin(0.3) / np.sqrt(2.0), abs=0.01)


def test_noise_is_taken_out_of_the_residual() -> None:
    audio = swing(-0.8, 0.8)
    noise = 0.03 * np.random.default_rng(4).standard_normal(len(audio))
    assert pattern(audio, 1.0 + audio + noise).residual == pytest.approx(0.03, abs=1e-3)
    assert pattern(audio, 1.0 + audio + noise, 0.03).residual < 0.005


def test_nothing_without_audio() -> None:
    meter = TrapezoidMeter()
    meter.feed(np.zeros(1000), np.zeros(1000), np.ones(1000, dtype=bool))
    assert meter.read() is None
