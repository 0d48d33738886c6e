"""Bandwidths of signals for which each definition has a closed form."""

import math

import numpy as np
import pytest

from carrierfloor.dsp.bandwidth import (
    OUTSIDE_SHARE,
    below_maximum,
    below_sidebands,
    carrier_guard_hz,
    occupied,
    power_ratio_26_db,
    sidebands_occupied,
)
from tests.dsp.spectra import RATE_HZ, lines_spectrum, measured, white, with_noise, with_tone

FINE = {"resolution_hz": 12.0}


def test_share_outside_at_26_db() -> None:
    """47 CFR 97.3(a)(8) as powers: outside/inside 10^-2.6, so 0.12528 % of the total a side."""
    assert abs(OUTSIDE_SHARE / 2 - 0.0012528) < 1e-7
    assert abs(OUTSIDE_SHARE / (1 - OUTSIDE_SHARE) - 10**-2.6) < 1e-12


def test_one_tone_collapses_where_its_lines_hold_too_little() -> None:
    """m^2/4 of 1 + m^2/2 in each line: 0.5 % at m = 0.14213, 0.12528 % at m = 0.07088."""
    for index, share in ((0.14213, 0.005), (0.07088, 0.0012528)):
        assert index**2 / 4 / (1 + index**2 / 2) == pytest.approx(share, rel=2e-4)
    for read, limit in ((occupied, 0.14213), (power_ratio_26_db, 0.07088)):
        above, below = (
            read(measured(with_tone(part * limit, 3000.0), **FINE)) for part in (1.02, 0.98)
        )
        assert above is not None
        assert above.width_hz == pytest.approx(6000.0, abs=60.0)
        assert above.is_whole
        assert below is not None
        assert below.width_hz < 60.0


@pytest.mark.parametrize("rms", [0.5, 0.3, 0.2])
def test_occupied_bandwidth_of_noise_is_ruled_by_the_carrier(rms: float) -> None:
    """Flat to F: 0.01 (1 + r^2) / r^2 of a sideband lies beyond its edge; 5.0, 12.1, 26.0 %."""
    beyond = 0.01 * (1 + rms**2) / rms**2
    assert beyond == pytest.approx({0.5: 0.050, 0.3: 0.121, 0.2: 0.260}[rms], abs=5e-4)
    found = occupied(measured(with_noise(rms, 4000.0), **FINE))
    assert found is not None
    assert found.upper_hz == pytest.approx(4000.0 * (1 - beyond), abs=40.0)
    assert found.lower_hz == pytest.approx(-4000.0 * (1 - beyond), abs=40.0)


@pytest.mark.parametrize("rms", [0.5, 0.1, 0.02])
def test_occupied_bandwidth_of_the_sidebands_does_not_know_the_carrier(rms: float) -> None:
    """Flat to F: 0.5 % of both sidebands is 1 % of one, whatever the depth."""
    found = sidebands_occupied(measured(with_noise(rms, 4000.0), **FINE))
    assert found is not None
    assert found.width_hz == pytest.approx(2 * 4000.0 * 0.99, abs=40.0)


def test_26_db_as_a_ratio_of_powers() -> None:
    """Flat to F, r = 0.3: 0.0012528 (1 + r^2) of the carrier's power beyond each edge."""
    found = power_ratio_26_db(measured(with_noise(0.3, 4000.0), **FINE))
    expected = 2 * 4000.0 * (1 - 2 * 0.0012528 * (1 + 0.09) / 0.09)
    assert found is not None
    assert found.width_hz == pytest.approx(expected, abs=40.0)


def test_26_db_below_the_maximum_is_26_db_below_the_carrier() -> None:
    """A tone of m = 0.11 is -25.2 dBc and counts, one of 0.09 is -26.9 dBc and does not."""
    wide = below_maximum(measured(with_tone(0.11, 3000.0), **FINE))
    narrow = below_maximum(measured(with_tone(0.09, 3000.0), **FINE))
    assert wide is not None
    assert wide.width_hz == pytest.approx(6000.0, abs=40.0)
    assert narrow is not None
    assert narrow.width_hz < 60.0


def test_26_db_below_the_sidebands_is_their_own_width() -> None:
    """The same two tones count in full; a second one 30 dB under them does not."""
    for index in (0.11, 0.01):
        found = below_sidebands(measured(with_tone(index, 3000.0), **FINE))
        assert found is not None
        assert found.width_hz == pytest.approx(6000.0, abs=60.0)
    both = with_tone(0.5, 3000.0) + with_tone(0.5 * 10**-1.5, 6000.0) - with_tone(0.0, 0.0)
    found = below_sidebands(measured(both, **FINE))
    assert found is not None
    assert found.width_hz < 6100.0


def test_crossing_between_bins_is_a_straight_line_in_decibels() -> None:
    """-20 and -30 dB in neighbouring bins: -26 dB lies 0.6 of a bin beyond the first."""
    spectrum = lines_spectrum(
        {0.0: 1.0, 1000.0: 0.01, 1010.0: 0.001, -1000.0: 0.01, -1010.0: 0.001}
    )
    found = below_maximum(spectrum)
    assert found is not None
    assert found.upper_hz == pytest.approx(1006.0, abs=1e-6)
    assert found.lower_hz == pytest.approx(-1006.0, abs=1e-6)


def test_peak_hold_may_be_read_too() -> None:
    """A burst of 1 % of the time counts in the highest levels and not in the mean."""
    signal = with_tone(0.0, 0.0, seconds=10.0)
    burst = slice(200_000, 205_000)
    signal[burst] += 0.2 * np.cos(2 * np.pi * 5000.0 * np.arange(5000) / RATE_HZ)
    spectrum = measured(signal, resolution_hz=60.0)
    mean, held = below_maximum(spectrum), below_maximum(spectrum, hold=True)
    assert mean is not None
    assert held is not None
    assert mean.width_hz < 300.0
    assert held.width_hz > 9900.0


def test_a_neighbour_counts_unless_it_is_told_apart() -> None:
    """A station 10 dB up at 15 kHz is not within 10 kHz, nor in what both sides share."""
    own = with_noise(0.3, 4000.0)
    t = np.arange(len(own)) / RATE_HZ
    neighbour = math.sqrt(10) * np.exp(2j * np.pi * 15e3 * t)
    spectrum = measured(own + neighbour + white(len(own), 0.03), **FINE)
    alone = occupied(measured(own, **FINE))
    naive, near = occupied(spectrum), occupied(spectrum, within_hz=10e3)
    shared = occupied(spectrum.mirrored())
    assert alone is not None
    assert naive is not None
    assert naive.upper_hz > 14_900.0
    assert near is not None
    assert shared is not None
    assert near.width_hz == pytest.approx(alone.width_hz, rel=0.06)  # noise widens it
    assert shared.width_hz == pytest.approx(alone.width_hz, rel=0.02)


def test_noise_alone_reaches_both_ends() -> None:
    found = occupied(measured(white(200_000, 1.0)))
    assert found is not None
    assert found.reaches_lower_end
    assert found.reaches_upper_end
    assert not found.is_whole


def test_without_sidebands_there_is_none() -> None:
    carrier = measured(with_tone(0.0, 0.0), **FINE)
    assert sidebands_occupied(carrier) is None
    assert below_sidebands(carrier) is None
    found = occupied(carrier)
    assert found is not None
    assert found.width_hz < 4 * carrier_guard_hz(carrier)


def test_without_power_there_is_none() -> None:
    empty = lines_spectrum({})
    assert occupied(empty) is None
    assert below_sidebands(empty) is None
    assert sidebands_occupied(empty) is None


def test_ranges_taken_out_hold_nothing() -> None:
    spectrum = lines_spectrum({0.0: 1.0, 3000.0: 0.1, -3000.0: 0.1, 9000.0: 1.0})
    found = occupied(spectrum.without([(8900.0, 9100.0)]))
    assert found is not None
    assert found.width_hz == pytest.approx(6000.0, abs=10.0)
