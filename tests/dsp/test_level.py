"""Peak and level of known signals."""

import math

import numpy as np
import pytest

from carrierfloor.dsp.level import LevelMeter, decibels


def test_a_steady_full_scale_sine() -> None:
    """Its peak is 0 dB, its rms -3.01 dB, by closed form; it is active all the time."""
    meter = LevelMeter(48_000)
    sine = np.sin(2 * np.pi * 997.0 * np.arange(96_000) / 48_000)
    for start in range(0, len(sine), 777):
        meter.feed(sine[start : start + 777])
    assert decibels(meter.peak) == pytest.approx(0.0, abs=0.01)
    assert decibels(meter.speech.rms) == pytest.approx(-3.01, abs=0.01)
    assert meter.speech.active_db == pytest.approx(-3.01, abs=0.1)


def test_silence_has_no_level() -> None:
    meter = LevelMeter(48_000)
    meter.feed(np.zeros(1000))
    meter.feed(np.zeros(0))
    assert decibels(meter.peak) == -math.inf
    assert meter.speech.active_db == -math.inf
