"""The margin of a measured path, against closed forms and simulated transmitters."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import optimize

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path_fit import PathFit, fit_path
from carrierfloor.dsp.path_margin import PathMargin, path_margin
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.speech_like import held
from carrierfloor.dsp.sweep_response import Harmonic, HumLine
from tests import measured
from tests.reference.transmitter import Bend, Transmitter

Array = NDArray[np.float64]

DEPTH, NORMAL = 0.5, "normal"  # what the operator takes the sweep for ...
SHALLOWEST = DEPTH / 1.1  # ... and what it may be: a scope is read to a tenth
DOWN, UP = 0.95, 1.25
LIMITS = Modulation(negative_limit_pct=100 * DOWN, positive_limit_pct=100 * UP)


def flat(frequency_hz: Array) -> NDArray[np.complex128]:
    return np.ones(len(frequency_hz), dtype=complex)


@cache
def flat_fit(noise: float = 1e-4) -> PathFit:
    """Return a fit of a path that is DC-coupled and flat."""
    return fit_path(measured.seen(flat, noise=noise), "flat")


def harmonics(second: float = 0.0, third: float = 0.0) -> tuple[Harmonic, ...]:
    """Return those of y = x + second x^2 + third x^3, DC-coupled: a2 d / 2, a3 d^2 / 4.

    The true depth d is as far from the believed one as the margin allows for.
    """
    grid = np.geomspace(40.0, 3000.0, 76)
    ratios = {2: -0.5j * second * SHALLOWEST, 3: -0.25 * third * SHALLOWEST**2}
    return tuple(
        Harmonic(
            order=order,
            frequency_hz=grid,
            ratio=np.full(len(grid), ratio, dtype=complex),
            noise=np.full(len(grid), 1e-5),
        )
        for order, ratio in ratios.items()
    )


def margin(
    lines: tuple[Harmonic, ...] = (), *, hum: tuple[HumLine, ...] = (), polarity: str | None = None
) -> PathMargin:
    response = measured.seen(flat, harmonics=lines, hum=hum)
    return path_margin(flat_fit(), response, LIMITS, DEPTH, capture_polarity=polarity)


@cache
def bent(second: float, third: float, polarity: str | None) -> PathMargin:
    """Return the margin of a DC-coupled bend."""
    return margin(harmonics(second, third), polarity=polarity)


def worked_out(second: float, third: float) -> float:
    """Return the margin upwards of a DC-coupled bend, 1.0 = 100 %.

    The level is such that a tone for the lower limit has its trough there; then the aim upwards
    must be so much lower that the crest holds.
    """

    def through(v: float) -> float:
        return v + second * v**2 + third * v**3

    tone = optimize.brentq(lambda v: -through(-v) - DOWN, 0.5, 1.5)
    crest = optimize.brentq(lambda v: through(v) - UP, 0.5, 2.0)
    return max(0.0, float(UP - crest * DOWN / tone))


def test_perfect_path_needs_no_margin() -> None:
    found = bent(0.0, 0.0, NORMAL)
    assert found.negative_margin_pct <= 0.1
    assert found.positive_margin_pct <= 0.1


@pytest.mark.parametrize(
    ("second", "third"),
    [(0.04, 0.0), (-0.02, 0.04), (0.0, -0.04)],
)
def test_distortion_of_a_dc_coupled_bend(second: float, third: float) -> None:
    """Upwards as worked out; downwards nothing, since that is where the level was set."""
    found = bent(second, third, NORMAL)
    expected = 100 * worked_out(second, third)
    assert found.positive.distortion_pct == pytest.approx(expected, abs=0.1)
    assert found.negative.distortion_pct == pytest.approx(0.0, abs=0.1)
    assert found.positive_margin_pct >= found.positive.total_pct - 1e-6


def test_two_per_cent_of_second_order_cost_ten_upwards() -> None:
    """y = x + 0.04 x^2, 2 % at 100 % modulation: 4.1 % by the level, 6.3 % at +125 % by itself.

    With both, a crest that is aimed at +125 % comes out at 1.3015 + 0.04 * 1.3015^2 = 1.369.
    """
    tone = (1.0 - np.sqrt(1.0 - 4.0 * 0.04 * DOWN)) / (2.0 * 0.04)
    assert tone / DOWN == pytest.approx(1.0412, abs=1e-4)
    assert bent(0.04, 0.0, NORMAL).positive.distortion_pct == pytest.approx(10.4, abs=0.1)


def test_unknown_polarity_takes_the_worse() -> None:
    up, down = (bent(0.04, 0.0, p) for p in (NORMAL, "inverted"))
    unknown = bent(0.04, 0.0, None)
    assert up.positive_margin_pct > 5.0 > 1.0 > down.positive_margin_pct
    assert unknown.positive.distortion_pct == max(
        up.positive.distortion_pct, down.positive.distortion_pct
    )


HUM = tuple(HumLine(frequency_hz=f, ratio=r) for f, r in ((60.0, 0.02), (120.0, 0.01)))
FOURTH = Harmonic(
    order=4,
    frequency_hz=np.geomspace(40.0, 3000.0, 76),
    ratio=np.full(76, 1e-3 + 0.0j),
    noise=np.full(76, 1e-6),
)


@cache
def humming() -> PathMargin:
    return margin((*harmonics(), FOURTH), hum=HUM)


def test_hum_counts_whole_at_the_depth_of_the_sweep() -> None:
    """Amplitudes of 2 and 1 % of a 50 % sweep are 1.5 % of the carrier when their peaks meet."""
    for side in (humming().negative, humming().positive):
        assert side.hum_pct == pytest.approx(1.5)
        assert side.total_pct == pytest.approx(
            side.hum_pct + side.distortion_pct + side.response_pct
        )
    exact = humming().negative.total_pct
    assert exact <= humming().negative_margin_pct <= exact + 0.1
    assert humming().negative_margin_pct == round(humming().negative_margin_pct, 1)


def test_distortion_of_higher_order_is_scaled_to_the_limit() -> None:
    """What no cubic explains grows with its power of the level: order 4 by (limit / depth)^3."""
    left = np.sqrt(1e-3**2 - 3e-4**2 * (1 + 3 / np.sqrt(66)))  # what the sweep itself may add
    for side, limit in ((humming().negative, DOWN), (humming().positive, UP)):
        expected = 100 * left * limit * (limit / SHALLOWEST) ** 3
        assert side.distortion_pct == pytest.approx(expected, rel=0.02)


def test_noise_of_the_measurement_is_paid_for() -> None:
    """More noise, more paths that it may have been."""
    response = measured.seen(flat, noise=0.03)
    noisy = path_margin(flat_fit(0.03), response, LIMITS, DEPTH, capture_polarity="normal")
    assert 0.3 < noisy.negative_margin_pct < 5.0
    assert noisy.negative.response_pct > 5 * bent(0.0, 0.0, NORMAL).negative.response_pct


def test_refuses_a_margin_that_no_rig_file_may_hold() -> None:
    with pytest.raises(SettingError, match=r"positive_margin_pct would be 2\d\.\d % .* distortion"):
        bent(0.1, 0.0, NORMAL)


def test_limits_hold_at_a_simulated_transmitter_and_not_without() -> None:
    """Speech for the measured path, sent into the true one: bent between its sections, humming.

    The level is set by a tone at the negative limit; without the margin +125 % is far exceeded.
    """
    transmitter = Transmitter(
        (measured.HIGH_PASS, Bend(second=0.02, third=0.005), measured.LOW_PASS),
        hum=((60.0, 0.004, 0.3),),
    )
    response = measured.response_of(transmitter)
    fit = fit_path(response, "bent")
    found = path_margin(fit, response, LIMITS, measured.DEPTH, capture_polarity="normal")
    full = transmitter.calibrated(DOWN)
    without = transmitter.judge(full * held(fit.path, DOWN, UP))
    kept = replace(
        LIMITS,
        negative_margin_pct=found.negative_margin_pct,
        positive_margin_pct=found.positive_margin_pct,
    )
    aims = (
        (kept.negative_limit_pct - kept.negative_margin_pct) / 100,
        (kept.positive_limit_pct - kept.positive_margin_pct) / 100,
    )
    verdict = transmitter.judge(full * held(fit.path, *aims))
    assert without.crest > UP + 0.05
    assert verdict.crest <= UP + 1e-3
    assert verdict.trough <= DOWN + 1e-3
    assert verdict.crest > UP - 0.03  # and not much is given away
