import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.emission import FLOOR_DBC, Emission, EmissionMeter, to_dbc
from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from tests.reference import antenna as judge

Array = NDArray[np.float64]


def measure(fine: Array, cut: int = 65_536) -> Emission:
    meter = EmissionMeter()
    for start in range(0, len(fine), cut):
        meter.feed(fine[start : start + cut])
    return meter.read()


def tone(index: float, frequency_hz: float, seconds: float = 3.0) -> Array:
    t = np.arange(round(seconds * FINE_RATE_HZ)) / FINE_RATE_HZ
    fade = np.sin(np.pi / 2 * np.minimum(1.0, np.minimum(t, t[-1] - t) / 0.3)) ** 2
    return np.asarray(index * fade * np.cos(2 * np.pi * frequency_hz * t))


def test_spectrum_is_welchs() -> None:
    """scipy.signal.welch of the same envelope, one-sided density there, one side's power here."""
    rng = np.random.default_rng(1)
    modulation = 0.5 * signal.sosfiltfilt(
        signal.butter(4, 4000, fs=FINE_RATE_HZ, output="sos"), rng.standard_normal(2**20)
    )
    modulation *= 0.6 / np.std(modulation)
    found = measure(np.concatenate([modulation, np.zeros(0)]))
    led_in = np.concatenate([np.zeros(8192), modulation])
    _, density = signal.welch(
        np.maximum(0.0, 1.0 + led_in),
        FINE_RATE_HZ,
        window="hann",
        nperseg=16_384,
        detrend=False,
    )
    one_side = density * FINE_RATE_HZ / 16_384 / 2.0
    one_side[[0, -1]] *= 2.0
    np.testing.assert_allclose(found.power, one_side, rtol=1e-6, atol=1e-9)


def test_without_a_cut_off_the_short_way_gives_the_same() -> None:
    """A segment without a corner is taken at 48 kHz: same lines as scipy's at 192 kHz."""
    modulation = tone(0.9, 1000.0) + tone(0.05, 7000.0)
    found = measure(modulation)
    _, density = signal.welch(
        1.0 + np.concatenate([np.zeros(8192), modulation]),
        FINE_RATE_HZ,
        nperseg=16_384,
        detrend=False,
    )
    one_side = density * FINE_RATE_HZ / 16_384 / 2.0
    np.testing.assert_allclose(found.power[1:1500], one_side[1:1500], rtol=1e-6, atol=1e-15)


def test_total_power_is_the_mean_square() -> None:
    """Parseval: carrier 1, a tone adds m^2 / 2."""
    found = measure(tone(0.8, 1500.0, seconds=20.0))
    total = 2.0 * found.power.sum() - found.power[0]
    assert total == pytest.approx(1.0 + 0.8**2 / 2 * (19.4 + 2 * 0.3 * 3 / 8) / 20.0, rel=5e-3)


def test_beyond_counts_both_sides() -> None:
    """One tone of m = 0.5 beyond 2 kHz: two lines of -12.04 dBc are -9.03 dBc."""
    found = measure(tone(0.5, 3000.0, seconds=30.0))
    assert found.beyond_dbc(2000.0) == pytest.approx(-9.03, abs=0.2)
    assert found.worst_beyond_dbc(2000.0) == pytest.approx(-9.03, abs=0.01)
    assert found.beyond_dbc(2000.0, up_to_hz=2500.0) < -110.0
    assert found.beyond_dbc(4000.0) < -120.0


def test_agrees_with_one_long_transform_on_splatter() -> None:
    """Mean power beyond 5 kHz of overmodulated noise, from one transform of the whole."""
    rng = np.random.default_rng(2)
    sos = signal.butter(8, 3000, fs=FINE_RATE_HZ, output="sos")
    modulation = signal.sosfiltfilt(sos, rng.standard_normal(2**21))
    modulation *= 0.6 / np.std(modulation) * np.hanning(len(modulation)) ** 0.25
    expected = judge.emission_dbc(modulation, FINE_RATE_HZ, 5000.0, len(modulation) / FINE_RATE_HZ)
    assert -40.0 < expected < -15.0
    assert measure(modulation).beyond_dbc(5000.0) == pytest.approx(expected, abs=0.3)


def test_a_burst_shows_in_the_worst_85_ms_more_than_in_the_mean() -> None:
    quiet = np.zeros(round(9 * FINE_RATE_HZ))
    found = measure(np.concatenate([quiet, tone(1.5, 1000.0, seconds=1.0), quiet]))
    assert found.worst_beyond_dbc(4500.0) > found.beyond_dbc(4500.0) + 10.0
    assert (found.worst_power >= found.power - 1e-30).all()


def test_silence_is_the_carrier_alone() -> None:
    found = measure(np.zeros(2**18))
    assert found.beyond_dbc(100.0) == FLOOR_DBC
    assert found.worst_beyond_dbc(100.0) == FLOOR_DBC
    assert found.occupied_bandwidth_hz < 40.0
    assert 2.0 * found.power.sum() - found.power[0] == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("cut", [4, 28, 4096])
def test_blocks_join_without_a_seam(cut: int) -> None:
    fine = tone(1.2, 800.0, seconds=0.4)
    np.testing.assert_allclose(measure(fine, cut).power, measure(fine).power, atol=1e-15)


def test_nothing_fed_reads_nothing() -> None:
    assert EmissionMeter().read().beyond_dbc(0.0) == FLOOR_DBC
    assert EmissionMeter().read().occupied_bandwidth_hz >= 0.0


def test_decibels() -> None:
    assert to_dbc(0.01) == pytest.approx(-20.0)
    assert to_dbc(0.0) == FLOOR_DBC
    assert math.isfinite(to_dbc(1e-300))
