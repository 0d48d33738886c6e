"""Sections fitted to responses that scipy computes."""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path_fit import PathFit, fit_path
from carrierfloor.dsp.sweep_clock import clock_phase
from tests import measured
from tests.measured import Array, Spectrum
from tests.reference.transmitter import Transmitter, all_pass

Polynomials = tuple[Array, Array]


def butter(order: int, corner_hz: float, kind: str) -> Polynomials:
    top, bottom = signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    return top, bottom


HIGH_PASS, LOW_PASS = butter(2, 40.0, "highpass"), butter(2, 7000.0, "lowpass")


def product(*parts: Polynomials) -> Callable[[Array], Spectrum]:
    """Return the response of a cascade, by scipy.signal.freqs."""

    def response(frequency_hz: Array) -> Spectrum:
        each = [signal.freqs(b, a, 2 * np.pi * frequency_hz)[1] for b, a in parts]
        return np.asarray(np.prod(each, axis=0))

    return response


@cache
def again(seed: int) -> PathFit:
    """Return the fit of one transformer under other noise."""
    return fit_path(
        measured.seen(product(HIGH_PASS, LOW_PASS), noise=3e-3, seed=seed), "transformer"
    )


SEEDS = range(1, 7)


def test_corners_come_back_in_order_and_rounded() -> None:
    """Two first-order and two second-order sections: all numbers within 0.2 %.

    One pole at 3 kHz does not come back as two, of which one is where nothing is heard.
    """
    parts = [LOW_PASS, butter(1, 9.0, "highpass"), HIGH_PASS, butter(1, 3000.0, "lowpass")]
    fit = fit_path(measured.seen(product(*parts)), "four")
    assert [one.kind for one in fit.path.sections] == ["highpass"] * 2 + ["lowpass"] * 2
    corners = [one.corner_hz for one in fit.path.sections]
    assert corners == pytest.approx([9.0, 40.0, 3000.0, 7000.0], rel=2e-3)
    assert [one.q for one in fit.path.sections] == [
        None,
        pytest.approx(0.5**0.5, rel=2e-3),
        None,
        pytest.approx(0.5**0.5, rel=2e-3),
    ]
    assert all(one.corner_hz == float(f"{one.corner_hz:.5g}") for one in fit.path.sections)
    assert fit.path.sections == tuple(one.section for one in fit.sections)


def test_response_of_another_circuit_is_followed() -> None:
    """Third-order filters and an all-pass: magnitude and phase are right within 0.1 %.

    A constant delay is as good as none: it moves no peak.
    """
    turning = (np.array([-1.0, 5655.0]), np.array([1.0, 5655.0]))  # at 900 Hz
    ripple = signal.cheby1(3, 0.5, 2 * np.pi * 6000.0, analog=True)
    true = product(butter(3, 50.0, "highpass"), turning, ripple)
    fit = fit_path(measured.seen(true), "ripple")
    at_hz = np.geomspace(40.0, 8000.0, 200)
    ratio = fit.path.response(at_hz) / true(at_hz) * abs(true(np.array([1000.0]))[0])
    delay = np.polyfit(at_hz, np.unwrap(np.angle(ratio)), 1, w=np.abs(true(at_hz)))[0]
    np.testing.assert_allclose(ratio * np.exp(-1j * delay * at_hz), 1.0, atol=1e-3)
    assert fit.worst_error < 5e-4
    assert abs(delay) < 1e-7 * 2 * np.pi


def test_sign_delay_clock_and_gain_are_told_apart() -> None:
    """An inverted capture, 37 us late, 12 ppm slow and 3 times as large."""
    true = product(HIGH_PASS, LOW_PASS)

    def late(frequency_hz: Array) -> Spectrum:
        turn = 12.0 * clock_phase(frequency_hz, measured.known()) - 2 * np.pi * frequency_hz * 37e-6
        return np.asarray(3.0 * true(frequency_hz) * np.exp(1j * turn))

    fit = fit_path(measured.seen(late, sign=-1.0), "late")
    assert fit.polarity == "inverted"
    assert again(1).polarity == "normal"
    assert fit.delay_s == pytest.approx(0.3 + 37e-6, abs=1e-7)
    assert fit.clock_ppm == pytest.approx(20.0 + 12.0, abs=0.1)
    expected = true(fit.frequency_hz) / abs(true(np.array([1000.0]))[0])
    np.testing.assert_allclose(fit.measured, expected, atol=1e-3)
    np.testing.assert_allclose(fit.fitted, expected, atol=1e-3)


def test_residual_is_the_noise() -> None:
    """Noise of 0.003 in each cell is -50.5 dB, and no error of the fit."""
    for seed in SEEDS:
        assert again(seed).residual_db == pytest.approx(20 * np.log10(3e-3), abs=0.7)
        assert again(seed).worst_error < 3e-3
        np.testing.assert_allclose(again(seed).noise, 3e-3, rtol=0.02)


def test_uncertainty_is_what_other_noise_does() -> None:
    """Of six measurements, errors over their own standard deviations have an rms of about 1."""
    true = {"highpass": (40.0, 0.5**0.5), "lowpass": (7000.0, 0.5**0.5)}
    off = []
    for seed in SEEDS:
        for one in again(seed).sections:
            assert one.section.corner_hz is not None
            assert one.section.q is not None
            corner_hz, q = true[one.section.kind]
            off.append((one.section.corner_hz - corner_hz) / one.uncertainty["corner_hz"])
            off.append((one.section.q - q) / one.uncertainty["q"])
    assert len(off) == 24
    assert 0.6 < np.sqrt(np.mean(np.square(off))) < 1.5


def test_tolerance_paths_lie_as_wide_as_other_measurements() -> None:
    """Drawn from one measurement they spread as the fits of six measurements do."""
    at_hz = np.array([25.0, 40.0, 60.0, 5000.0, 7000.0])

    def spread(paths: list[Spectrum]) -> float:
        return float(np.sqrt(np.mean(np.var(np.abs(paths), axis=0))))

    drawn = spread([path.response(at_hz) for path in again(1).tolerance_paths])
    fitted = spread([again(seed).path.response(at_hz) for seed in SEEDS])
    assert len(again(1).tolerance_paths) == 16
    assert 0.5 < drawn / fitted < 2.0


def broken(height: float) -> Callable[[Array], Spectrum]:
    """Return a response that no section follows: turned aside within a quarter of an octave."""
    true = product(HIGH_PASS, LOW_PASS)

    def response(frequency_hz: Array) -> Spectrum:
        aside = (frequency_hz > 1900.0) & (frequency_hz < 2250.0)
        return np.asarray(true(frequency_hz) * np.where(aside, 1.0 + 1j * height, 1.0))

    return response


def test_worst_error_is_found_where_it_is() -> None:
    fit = fit_path(measured.seen(broken(0.08), noise=0.03), "broken")
    assert fit.worst_error == pytest.approx(0.08, abs=0.03)
    assert 1900.0 < fit.worst_error_hz < 2250.0


def test_refuses_what_no_sections_follow() -> None:
    with pytest.raises(SettingError, match=r"path 'broken': no set of sections .* % off at 2\d{3}"):
        fit_path(measured.seen(broken(0.3), noise=0.1), "broken")


def test_a_simulated_transmitter_from_its_capture() -> None:
    """The whole way from the capture; an all-pass is found as such."""
    transmitter = Transmitter((*measured.PLAIN.blocks, all_pass(900.0)))
    fit = fit_path(measured.response_of(transmitter), "turned")
    found = {one.kind: one.corner_hz for one in fit.path.sections}
    assert found == pytest.approx({"highpass": 40.0, "allpass": 900.0, "lowpass": 7000.0}, rel=5e-3)
    assert fit.worst_error < 1e-3
