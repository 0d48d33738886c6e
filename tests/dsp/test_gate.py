"""The gate: quiet pauses, whole words."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.gate import GateDesign
from carrierfloor.dsp.stage import Context
from tests.dsp.level_signals import Audio, noise, rms_db, syllables, tone, window


def through(signal: Audio, **settings: float) -> Audio:
    return GateDesign(**settings).build(Context()).process(signal)


def gain_db(signal: Audio, out: Audio, start_s: float, stop_s: float) -> float:
    return rms_db(window(out, start_s, stop_s)) - rms_db(window(signal, start_s, stop_s))


@pytest.mark.parametrize("microphone_db", [-50.0, -30.0, 0.0])
def test_works_the_same_at_any_microphone_level(microphone_db: float) -> None:
    """Speech untouched, a pause 45 dB under it turned down by the whole range."""
    signal = np.concatenate([syllables(-20, 3), noise(-65, 2), syllables(-20, 1)])
    signal *= 10 ** (microphone_db / 20)
    out = through(signal, range_db=18.0)
    assert gain_db(signal, out, 0.0, 2.9) == pytest.approx(0.0, abs=0.01)
    assert gain_db(signal, out, 4.2, 4.9) == pytest.approx(-18.0, abs=0.5)


def test_expands_by_the_ratio_below_the_threshold() -> None:
    """6 dB under the threshold at 3:1 loses (3 - 1) * 6 = 12 dB.

    The tracked level of these syllables is 1 to 2 dB low, as their dying 20 ms count: up to 4 dB
    less loss.
    """
    signal = np.concatenate([syllables(-20, 4), tone(-56, 4)])
    out = through(signal, threshold_db=-30.0, ratio=3.0, range_db=40.0, release_ms=20.0, hold_ms=0)
    assert gain_db(signal, out, 6.0, 8.0) == pytest.approx(-9.5, abs=1.5)


def test_opens_within_a_few_milliseconds() -> None:
    """From 5 ms after its onset a word is within 1 dB of what went in."""
    signal = np.concatenate([syllables(-20, 3), noise(-75, 2), noise(-20, 0.5, seed=4)])
    out = through(signal)
    assert gain_db(signal, out, 4.5, 4.9) < -17.0
    assert gain_db(signal, out, 5.005, 5.03) == pytest.approx(0.0, abs=1.0)


def test_holds_before_it_closes() -> None:
    signal = np.concatenate([syllables(-20, 3), noise(-75, 2)])
    out = through(signal, hold_ms=300.0)
    assert gain_db(signal, out, 3.0, 3.14) == pytest.approx(0.0, abs=0.01)
    assert gain_db(signal, out, 4.5, 5.0) < -17.0


def test_open_until_somebody_talks() -> None:
    """The noise before the first word passes, so the first word cannot be cut."""
    signal = np.concatenate([noise(-60, 3), syllables(-20, 1)])
    np.testing.assert_array_equal(through(signal), signal)


def test_steady_noise_is_not_mistaken_for_speech() -> None:
    """Twenty seconds of noise before a weak talker 10 dB above it do not shut him out."""
    signal = np.concatenate([noise(-50, 20), syllables(-40, 3) + noise(-50, 3, seed=8)])
    assert gain_db(signal, through(signal), 20.0, 23.0) == pytest.approx(0.0, abs=0.1)


def test_meters_read_what_the_gain_did() -> None:
    stage = GateDesign(range_db=12.0).build(Context())
    stage.process(np.concatenate([syllables(-20, 2), noise(-75, 2)]))
    assert stage.meters["gain_db_now"] == pytest.approx(-12.0, abs=0.1)
    assert stage.meters["gain_reduction_max_db"] == pytest.approx(12.0, abs=0.1)
    assert 3.0 < stage.meters["gain_reduction_mean_db"] < 6.0


def test_refuses_a_threshold_above_the_speech() -> None:
    with pytest.raises(SettingError, match="threshold_db is 3 dB; it must be -60 to -10 dB"):
        GateDesign(threshold_db=3.0)
