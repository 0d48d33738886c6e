"""Power that both sidebands share, against a tone's lines and against noise that has none."""

import numpy as np
import pytest

from carrierfloor.dsp.shared_power import has_line, shared_beyond
from tests.dsp.spectra import measured, white, with_tone


def test_lines_of_a_tone_beyond_an_offset() -> None:
    """Two lines of m/2 each: m^2 / 2 of the carrier's power."""
    signal = with_tone(0.1, 6000.0)
    spectrum = measured(signal + white(len(signal), 0.003))
    power, error = shared_beyond(spectrum, 5000.0)
    assert power == pytest.approx(0.1**2 / 2, rel=0.05)
    assert error < 0.05 * power


def test_noise_is_nobodys() -> None:
    """Over many draws the mean is zero and the spread as stated, within a third."""
    sums, errors = [], []
    for seed in range(30):
        power, error = shared_beyond(measured(1.0 + white(48_000, 0.01, seed)), 5000.0)
        sums.append(power)
        errors.append(error)
    assert abs(np.mean(sums)) < np.std(sums) / 2.0
    assert np.std(sums) == pytest.approx(np.mean(errors), rel=0.33)


def test_beyond_what_is_recorded_there_is_nothing() -> None:
    assert shared_beyond(measured(with_tone(0.5, 1000.0)), 1e6) == (0.0, 0.0)


def test_a_line_of_the_receivers_own_is_seen() -> None:
    clean = with_tone(0.5, 1000.0) + white(4 * 48_000, 0.003)
    line = 0.02 * np.exp(-2j * np.pi * 6300.0 * np.arange(len(clean)) / 48_000)
    assert has_line(measured(clean + line), -6300.0, 500.0)
    assert not has_line(measured(clean), -6300.0, 500.0)
    assert not has_line(measured(clean), 1e6, 500.0)
