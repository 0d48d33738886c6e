"""A response as curves: against scipy and closed forms."""

import math

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.curves import curves, difference, harmonic_at
from carrierfloor.dsp.sweep_response import Harmonic

GRID_HZ = np.geomspace(20.0, 10_000.0, 400)


def test_a_low_pass_against_scipy() -> None:
    """scipy.signal.bessel, whose group delay is flat; magnitude and phase by scipy.signal.freqs."""
    top, bottom = signal.bessel(4, 2 * np.pi * 6000.0, analog=True, norm="delay")
    _, response = signal.freqs(top, bottom, 2 * np.pi * GRID_HZ)
    found = curves(GRID_HZ, response)
    np.testing.assert_allclose(found.magnitude_db, 20 * np.log10(np.abs(response)), atol=1e-9)
    expected = np.degrees(np.unwrap(np.angle(response)))
    np.testing.assert_allclose(found.phase_deg, expected, atol=1e-9)
    low = GRID_HZ < 3000.0
    flat_ms = 1000.0 / (2 * np.pi * 6000.0)
    np.testing.assert_allclose(found.group_delay_ms[low], flat_ms, rtol=1e-3)


def test_a_high_pass_against_its_closed_form() -> None:
    """First order: phase atan(fc/f), group delay (1/wc) / (1 + (f/fc)^2)."""
    corner_hz = 100.0
    response = 1j * GRID_HZ / corner_hz / (1 + 1j * GRID_HZ / corner_hz)
    found = curves(GRID_HZ, response)
    np.testing.assert_allclose(
        found.phase_deg, np.degrees(np.arctan(corner_hz / GRID_HZ)), atol=1e-9
    )
    delay_ms = 1000.0 / (2 * np.pi * corner_hz) / (1 + (GRID_HZ / corner_hz) ** 2)
    np.testing.assert_allclose(found.group_delay_ms, delay_ms, rtol=0.02, atol=1e-3)


def test_the_phase_lies_around_zero_at_1_khz() -> None:
    """Whatever turns were lost: a delay of 3 ms turns three times by 1 kHz."""
    found = curves(GRID_HZ, np.exp(-2j * np.pi * GRID_HZ * 0.0031))
    assert np.interp(1000.0, GRID_HZ, found.phase_deg) == pytest.approx(-36.0, abs=1.0)
    np.testing.assert_allclose(found.group_delay_ms, 3.1, rtol=1e-6)


def test_noise_stays_in_its_band() -> None:
    """95 % of all noisy measurements lie within two standard deviations (normal distribution)."""
    rng = np.random.default_rng(4)
    sigma = 0.01
    shape = (200, len(GRID_HZ))
    noise = sigma / math.sqrt(2) * (rng.normal(size=shape) + 1j * rng.normal(size=shape))
    low, high = curves(GRID_HZ, np.ones(400, complex), np.full(400, sigma)).magnitude_band_db
    heard_db = 20 * np.log10(np.abs(1.0 + noise))
    inside = np.mean((heard_db > low) & (heard_db < high))
    assert inside == pytest.approx(0.954, abs=0.005)
    at = 200
    found = [curves(GRID_HZ, 1.0 + one, np.full(400, sigma)) for one in noise]
    for curve, band in (
        ([one.phase_deg[at] for one in found], found[0].phase_band_deg),
        ([one.group_delay_ms[at] for one in found], found[0].group_delay_band_ms),
    ):
        assert np.std(curve) == pytest.approx((band[1][at] - band[0][at]) / 4.0, rel=0.15)


def test_nothing_at_all_is_no_trouble() -> None:
    found = curves(GRID_HZ, np.zeros(400, complex), np.full(400, 0.1))
    assert np.all(found.magnitude_db == -120.0)
    assert np.all(np.isfinite(found.group_delay_band_ms))


def test_difference() -> None:
    found = difference(
        GRID_HZ, np.full(400, 1.03 + 0.04j), np.ones(400, complex), np.full(400, 0.01)
    )
    np.testing.assert_allclose(found.error_pct, 5.0)
    np.testing.assert_allclose(found.noise_pct, 2.0)


def test_a_harmonic_between_its_points() -> None:
    grid = np.array([100.0, 1000.0])
    harmonic = Harmonic(
        order=2, frequency_hz=grid, ratio=np.array([0.01j, -0.03]), noise=np.zeros(2)
    )
    assert harmonic_at(harmonic, math.sqrt(1e5)) == pytest.approx(0.02)
    assert harmonic_at(harmonic, 1000.0) == pytest.approx(0.03)
    assert harmonic_at(harmonic, 1001.0) is None
    none = Harmonic(
        order=5, frequency_hz=np.zeros(0), ratio=np.zeros(0, complex), noise=np.zeros(0)
    )
    assert harmonic_at(none, 1000.0) is None
