"""The compressor against its closed form."""

import numpy as np
import pytest

from carrierfloor.dsp.compressor import INTERVAL, CompressorDesign, reduction_db
from carrierfloor.dsp.stage import Context
from tests.dsp.level_signals import Audio, rms_db, tone, window


def through(signal: Audio, **settings: float) -> Audio:
    return CompressorDesign(**settings).build(Context()).process(signal)


def curve_db(level_db: float, threshold_db: float, ratio: float, knee_db: float) -> float:
    """Output level by equation 4 of Giannoulis, Massberg and Reiss (2012), written as printed."""
    over = level_db - threshold_db
    if 2 * over < -knee_db:
        return level_db
    if 2 * abs(over) <= knee_db and knee_db > 0:
        return level_db + (1 / ratio - 1) * (over + knee_db / 2) ** 2 / (2 * knee_db)
    return threshold_db + over / ratio


@pytest.mark.parametrize("ratio", [1.0, 2.5, 4.0, 20.0])
@pytest.mark.parametrize("knee_db", [0.0, 6.0, 12.0])
def test_static_curve_is_that_of_the_paper(ratio: float, knee_db: float) -> None:
    design = CompressorDesign(threshold_db=-20.0, ratio=ratio, knee_db=knee_db)
    coefficients = design.build(Context()).coefficients
    for level_db in np.linspace(-60.0, 20.0, 161):
        expected = level_db - curve_db(level_db, -20.0, ratio, knee_db)
        assert reduction_db(coefficients, level_db) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("peak_db", [-30.0, -21.0, -18.0, -10.0, 0.0])
def test_square_wave_comes_out_on_the_static_curve(peak_db: float) -> None:
    """The magnitude of a square wave is constant, so the smoothing changes nothing."""
    square = 10 ** (peak_db / 20) * np.sign(tone(0.0, 1.0, 250.0) + 1e-9)
    out = through(square, threshold_db=-20.0, ratio=4.0, knee_db=6.0)
    expected = curve_db(peak_db, -20.0, 4.0, 6.0)
    assert rms_db(window(out, 0.8, 1.0)) == pytest.approx(expected, abs=0.001)


@pytest.mark.parametrize(("attack_ms", "release_ms"), [(3.0, 50.0), (20.0, 200.0)])
def test_attack_and_release_are_exponentials(attack_ms: float, release_ms: float) -> None:
    """A step of a constant: the reduction goes as 1 - exp(-t/attack), then exp(-t/release).

    The gain is decided at the end of an interval and reached at the end of the next one.
    """
    high = np.full(48_000, 10 ** (-4 / 20))  # 16 dB over the threshold: 12 dB off at 4:1
    low = np.full(48_000, 0.001)
    settings = {"threshold_db": -20.0, "ratio": 4.0, "knee_db": 0.0}
    signal = np.concatenate([high, low])
    out = through(signal, attack_ms=attack_ms, release_ms=release_ms, **settings)
    loss_db = -20 * np.log10(out / signal)
    for intervals in (10, 50, 200):
        at = (intervals + 1) * INTERVAL - 1
        t_ms = intervals * INTERVAL / 48.0
        assert loss_db[at] == pytest.approx(12 * (1 - np.exp(-t_ms / attack_ms)), abs=1e-6)
        left = 12 * np.exp(-t_ms / release_ms)
        assert loss_db[48_000 + at] == pytest.approx(left, abs=1e-6)


def test_weak_signal_gets_the_makeup_alone() -> None:
    signal = tone(-40.0, 0.2)
    np.testing.assert_allclose(through(signal, makeup_db=6.0), signal * 10 ** (6 / 20), rtol=1e-12)


def test_meters_read_what_the_gain_did() -> None:
    stage = CompressorDesign(threshold_db=-20.0, ratio=4.0, knee_db=0.0).build(Context())
    stage.process(np.full(48_000, 10 ** (-4 / 20)))
    assert stage.meters["gain_reduction_max_db"] == pytest.approx(12.0, abs=0.01)
    assert stage.meters["gain_reduction_mean_db"] == pytest.approx(12.0, abs=0.1)
    assert stage.meters["gain_db_now"] == pytest.approx(-12.0, abs=0.01)
