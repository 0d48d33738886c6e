"""Fits of sines against the sines that were made, and against numpy's least squares."""

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.sine_fit import fit_frequencies, fit_sines, strongest_line

Array = NDArray[np.float64]
RATE_HZ = 48_000.0


def times(seconds: float) -> Array:
    """Return times from the middle."""
    count = round(seconds * RATE_HZ)
    return np.asarray((np.arange(count) - (count - 1) / 2) / RATE_HZ)


def test_amplitude_phase_and_mean_of_two_sines() -> None:
    t = times(0.77)
    samples = 0.1 + 0.5 * np.cos(2 * np.pi * 700.3 * t + 1.0) + 0.2 * np.sin(2 * np.pi * 61.7 * t)
    fit = fit_sines(samples, RATE_HZ, np.array([700.3, 61.7]))
    assert fit.mean == pytest.approx(0.1, abs=1e-12)
    np.testing.assert_allclose(fit.amplitude, [0.5 * np.exp(1j), -0.2j], atol=1e-12)
    assert np.abs(fit.rest(samples, RATE_HZ)).max() < 1e-11


def test_is_the_weighted_least_squares_solution() -> None:
    """numpy.linalg.lstsq with columns of cosines and sines, under the same Hann window."""
    t = times(0.1)
    count = len(t)
    samples = np.random.default_rng(1).standard_normal(count)
    found_hz = np.array([333.0, 400.0, 5000.0])
    angle = 2 * np.pi * np.outer(t, found_hz)
    hann = np.cos(np.pi * t * RATE_HZ / (count + 1)) ** 2
    columns = np.hstack([np.ones((count, 1)), np.cos(angle), np.sin(angle)]) * hann[:, None]
    expected = np.linalg.lstsq(columns, samples * hann)[0]
    fit = fit_sines(samples, RATE_HZ, found_hz)
    np.testing.assert_allclose(fit.mean, expected[0], atol=1e-12)
    np.testing.assert_allclose(fit.amplitude.real, expected[1:4], atol=1e-12)
    np.testing.assert_allclose(fit.amplitude.imag, -expected[4:], atol=1e-12)


@pytest.mark.parametrize("off", [-0.45, 0.1, 0.4])
def test_frequency_far_below_a_line_of_the_spectrum(off: float) -> None:
    """One second resolves 1 Hz; without noise the frequency comes out to a billionth of it."""
    t = times(1.0)
    samples = 0.3 * np.cos(2 * np.pi * 1000.37 * t + 0.4)
    fit = fit_frequencies(samples, RATE_HZ, np.array([1000.37 + off]))
    assert fit.frequency_hz[0] == pytest.approx(1000.37, abs=1e-8)


def test_frequency_in_noise() -> None:
    """The bound on a real sine is 6 s^2 / (pi^2 A^2 n T^2): D. Rife and R. Boorstyn, 1974.

    The weight cos^4 makes the error larger by sqrt(12 <q^2 x^2>) / (12 <q x^2>), which is 2.13.
    """
    x = np.linspace(-0.5, 0.5, 10_001)
    q = np.cos(np.pi * x) ** 4
    larger = np.sqrt(12 * np.mean(q**2 * x**2)) / (12 * np.mean(q * x**2))
    assert larger == pytest.approx(2.13, abs=0.005)
    t = times(0.2)
    bound_hz = np.sqrt(6 * 0.1**2 / (np.pi**2 * 0.5**2 * len(t))) / 0.2
    random = np.random.default_rng(2)
    errors = []
    for _ in range(150):
        samples = 0.5 * np.cos(2 * np.pi * 997.2 * t) + 0.1 * random.standard_normal(len(t))
        errors.append(fit_frequencies(samples, RATE_HZ, np.array([997.0])).frequency_hz[0] - 997.2)
    found_hz = np.sqrt(np.mean(np.square(errors)))
    assert found_hz == pytest.approx(larger * bound_hz, rel=0.15)


def test_a_line_that_is_not_in_the_model_leaks_little() -> None:
    """Hum 20 turns away disturbs by less than a ten-thousandth of itself."""
    t = times(0.5)
    samples = 0.5 * np.cos(2 * np.pi * 1000.0 * t) + 0.1 * np.cos(2 * np.pi * 960.0 * t + 1.0)
    fit = fit_sines(samples, RATE_HZ, np.array([1000.0]))
    assert abs(fit.amplitude[0] - 0.5) < 1e-5


@pytest.mark.parametrize("frequency_hz", [31.3, 440.0, 1000.37, 7777.7])
def test_strongest_line(frequency_hz: float) -> None:
    t = times(1.0)
    samples = 3.0 + 0.4 * np.cos(2 * np.pi * frequency_hz * t) + 0.1 * np.cos(2e4 * t)
    found_hz, amplitude, share = strongest_line(samples, RATE_HZ, 30.0, 8000.0)
    assert found_hz == pytest.approx(frequency_hz, abs=0.02)
    assert amplitude == pytest.approx(0.4, rel=0.01)
    assert share == pytest.approx(16 / 17, abs=0.01)


def test_without_signal_there_is_no_line() -> None:
    assert strongest_line(np.ones(4800), RATE_HZ, 30.0, 8000.0) == (0.0, 0.0, 0.0)
