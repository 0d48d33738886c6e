import math

import numpy as np
import pytest

from carrierfloor.dsp.emission import FLOOR_DBC
from carrierfloor.dsp.sidebands import asymmetry_db, power_beyond_dbc, shared_part
from tests.dsp.spectra import RATE_HZ, lines_spectrum, measured, with_noise, with_tone

UNEVEN = {0.0: 1.0, 3000.0: 0.1, -3000.0: 0.01, 6000.0: 0.001}


def test_power_beyond_on_each_side() -> None:
    """Sums of the bins' powers."""
    spectrum = lines_spectrum(UNEVEN)
    lower, upper = power_beyond_dbc(spectrum, 1000.0)
    assert lower == pytest.approx(-20.0)
    assert upper == pytest.approx(10 * math.log10(0.101))
    assert power_beyond_dbc(spectrum, 1000.0, 5000.0)[1] == pytest.approx(-10.0)
    assert power_beyond_dbc(spectrum, 7000.0) == (FLOOR_DBC, FLOOR_DBC)
    assert power_beyond_dbc(spectrum.without([(5990.0, 6010.0)]), 5000.0)[1] == FLOOR_DBC


def test_asymmetry() -> None:
    spectrum = lines_spectrum(UNEVEN)
    assert asymmetry_db(spectrum, 1000.0, 5000.0) == pytest.approx(10.0)
    assert math.isnan(asymmetry_db(spectrum, 5000.0, 7000.0))
    assert asymmetry_db(measured(with_tone(0.5, 2000.0)), 500.0, 5000.0) == pytest.approx(
        0.0, abs=1e-3
    )


def test_sidebands_of_amplitude_modulation_are_shared_in_full() -> None:
    spectrum = measured(with_noise(0.3, 4000.0, seconds=5.0))
    assert shared_part(spectrum, 500.0, 4500.0) == pytest.approx(1.0, abs=1e-3)


def test_a_filter_that_tilts_them_takes_little_away() -> None:
    """Sides a and b times as high share 2 a b / (a^2 + b^2): 0.8 for one of half the height."""
    t = np.arange(96_000) / RATE_HZ
    tone = 2 * np.pi * 2000.0 * t
    uneven = 1.0 + 0.2 * np.exp(1j * tone) + 0.1 * np.exp(-1j * tone)
    spectrum = measured(uneven)
    assert shared_part(spectrum, 1000.0, 3000.0) == pytest.approx(0.8, abs=1e-3)
    assert asymmetry_db(spectrum, 1000.0, 3000.0) == pytest.approx(6.02, abs=0.01)


def test_a_line_on_one_side_is_not_shared() -> None:
    t = np.arange(10 * 48_000) / RATE_HZ
    spectrum = measured(1.0 + 0.1 * np.exp(2j * np.pi * 3000.0 * t))
    assert shared_part(spectrum, 2000.0, 4000.0) < 0.01
    assert math.isnan(shared_part(lines_spectrum({0.0: 1.0}), 2000.0, 4000.0))
