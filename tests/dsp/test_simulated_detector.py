"""The simulated detector against closed forms of diode, capacitor and coupling."""

import math

import numpy as np
import pytest
from scipy import special

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.simulated_detector import DetectorDesign, SimulatedDetector
from carrierfloor.dsp.stage import Block
from tests.reference.cut_off_tone import diagonal_trough

RATE_HZ = 768_000.0


def detected(envelope: Block, **settings: float) -> Block:
    design = DetectorDesign(**{"coupling_hz": 0.0, **settings})
    return SimulatedDetector(design, RATE_HZ).process(envelope)


def tone(m: float, hz: float = 1000.0, cycles: int = 4) -> Block:
    t = np.arange(round(cycles / hz * RATE_HZ)) / RATE_HZ
    return np.asarray(1.0 + m * np.cos(2.0 * np.pi * hz * t))


def test_without_a_knee_it_follows_down_to_zero() -> None:
    envelope = np.maximum(0.0, tone(1.4))
    np.testing.assert_allclose(detected(envelope), envelope, atol=1e-15)


def test_knee_is_a_square_law_below_and_a_line_above() -> None:
    """e^2 / 2k for small e; slope 1, k too low, for large e; the carrier reads 1."""
    k = 0.1
    small, large = np.array([1e-4, 2e-4, 4e-4]), np.array([20.0, 40.0])
    unit = math.hypot(1.0, k) - k
    got = detected(np.concatenate([small, large, [1.0]]), knee_pct=10.0) * unit
    np.testing.assert_allclose(got[:3], small**2 / (2.0 * k), rtol=1e-4)
    np.testing.assert_allclose(got[3:5], large - k, atol=1e-3)
    assert got[5] / unit == pytest.approx(1.0)


def test_knee_is_as_near_to_an_exponential_diode_as_is_said() -> None:
    """V ln I0(e / V) with k = 2 V, both against the carrier: 3 % apart at most for 10 %."""
    e, volts = np.linspace(0.0, 2.5, 2001), 0.05

    def diode(x: Block) -> Block:
        return np.asarray(volts * (np.log(special.ive(0, x / volts)) + x / volts))

    unit = math.hypot(1.0, 0.1) - 0.1
    ours = detected(e, knee_pct=10.0) * unit
    apart = np.abs((ours - unit) - (diode(e) - diode(np.array([1.0]))))
    assert 0.02 < apart.max() < 0.03


def test_capacitor_discharges_exponentially() -> None:
    envelope = np.where(np.arange(5000) < 10, 2.0, 0.5)
    late_s = (np.arange(5000) - 9) / RATE_HZ
    expected = np.where(late_s <= 0.0, 2.0, np.maximum(0.5, 2.0 * np.exp(-late_s / 0.002)))
    np.testing.assert_allclose(detected(envelope, rc_ms=2.0), expected, atol=1e-12)


@pytest.mark.parametrize("m", [0.5, 0.9])
def test_fast_troughs_are_followed_up_to_the_known_limit(m: float) -> None:
    """w RC = sqrt(1 - m^2) / m is where diagonal clipping begins (F. E. Terman)."""
    limit_ms = 1000.0 * math.sqrt(1.0 - m * m) / m / (2.0 * math.pi * 1000.0)
    envelope = tone(m)
    followed = detected(envelope, rc_ms=0.99 * limit_ms)
    np.testing.assert_allclose(followed, envelope, atol=2e-4)
    assert np.abs(detected(envelope, rc_ms=1.1 * limit_ms) - envelope).max() > 5e-4


@pytest.mark.parametrize(("m", "rc_ms"), [(0.95, 0.2), (0.5, 1.0), (0.9, 0.05)])
def test_trough_behind_a_slow_capacitor(m: float, rc_ms: float) -> None:
    """Where the exponential meets the rising side, solved numerically from the closed forms."""
    lowest = detected(tone(m), rc_ms=rc_ms)[768:].min()
    assert lowest == pytest.approx(diagonal_trough(m, 1000.0, rc_ms / 1000.0), abs=2e-3)


def test_coupling_is_a_high_pass_that_begins_settled() -> None:
    """|H| = 1/sqrt(2) and 45 degrees ahead at the corner; nothing for the bare carrier."""
    detector = SimulatedDetector(DetectorDesign(coupling_hz=50.0), RATE_HZ)
    assert np.abs(detector.process(np.ones(1000))).max() < 1e-15
    heard = detector.process(tone(0.5, 50.0, 20))
    last = heard[-round(RATE_HZ / 50.0) :]
    line = 2.0 * np.fft.rfft(last)[1] / len(last)
    assert line == pytest.approx(0.5 / (1.0 - 1.0j), abs=2e-4)


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_cutting_the_stream_changes_no_bit(cut: int) -> None:
    design = DetectorDesign(knee_pct=8.0, rc_ms=0.3, coupling_hz=10.0)
    noise = np.abs(np.random.default_rng(1).standard_normal(5000))
    whole = SimulatedDetector(design, RATE_HZ).process(noise)
    detector = SimulatedDetector(design, RATE_HZ)
    parts = [detector.process(noise[at : at + cut]) for at in range(0, len(noise), cut)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@pytest.mark.parametrize(
    ("key", "value"), [("knee_pct", -1.0), ("rc_ms", 101.0), ("coupling_hz", 501.0)]
)
def test_refuses_what_is_out_of_range(key: str, value: float) -> None:
    with pytest.raises(SettingError, match=f"detector: {key} is .*it must be"):
        DetectorDesign(**{key: value})
