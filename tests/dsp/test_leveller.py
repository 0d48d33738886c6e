"""The leveller: every talker at the same level, still pauses, a graceful start."""

import numpy as np
import pytest

from carrierfloor.dsp.leveller import LevellerDesign
from carrierfloor.dsp.stage import Context
from tests.dsp.level_signals import Audio, noise, rms_db, syllables, window

PATTERN_DB = 10 * np.log10(0.6)  # syllables() talks for 0.15 s of every 0.25 s


def through(signal: Audio, **settings: float) -> Audio:
    return LevellerDesign(**settings).build(Context()).process(signal)


@pytest.mark.parametrize("level_db", [-42.0, -30.0, -20.0, -8.0, 6.0])
def test_brings_any_talker_to_the_target(level_db: float) -> None:
    """Within 1.5 dB: the dying 20 ms of each syllable count as speech and read low."""
    out = through(np.concatenate([noise(-95, 1), syllables(level_db, 10)]), target_db=-18.0)
    assert rms_db(window(out, 7, 11)) == pytest.approx(-18.0 + PATTERN_DB, abs=1.5)


@pytest.mark.parametrize("level_db", [-40.0, -30.0, -20.0, -10.0, 0.0])
def test_first_word_is_neither_lost_nor_blasts(level_db: float) -> None:
    """Never more than 1 dB over both what went in and the target; within 3 dB after 200 ms."""
    out = through(np.concatenate([noise(-95, 1), syllables(level_db, 2)]), target_db=-20.0)
    for start_s in np.arange(1.0, 1.2, 0.01):
        assert rms_db(window(out, start_s, start_s + 0.01)) < max(level_db, -20.0) + 1.5
    assert rms_db(window(out, 1.25, 1.4)) == pytest.approx(-20.0, abs=3.0)


def test_goes_down_fast_and_up_slowly() -> None:
    """One time constant after a step the gain has gone 63 % of the way, 1 - 1/e.

    The averaging window of 0.2 s, 0.1 s as a time constant, delays both.
    """
    signal = np.concatenate([syllables(-20, 8), syllables(-8, 6), syllables(-20, 8)])
    out = through(signal, gain_up_s=2.0, gain_down_s=0.15)
    gain = [
        rms_db(window(out, t, t + 0.15)) - rms_db(window(signal, t, t + 0.15))
        for t in np.arange(0, 21.9, 0.25)
    ]
    before, at_500_ms, settled = gain[31], gain[34], gain[55]
    assert settled - before == pytest.approx(-12.0, abs=0.6)
    assert at_500_ms - before < -10.0
    up_after_2_s = gain[64] - settled  # 64 * 0.25 s = 16 s, 2 s after the step; 60 % of it talking
    assert 12 * (1 - np.exp(-1.0 / 2)) - 1.5 < up_after_2_s < 12 * (1 - np.exp(-1.6 / 2)) + 1.5


def test_gain_stands_still_in_a_pause() -> None:
    signal = np.concatenate([syllables(-30, 5), noise(-62, 20), syllables(-30, 1)])
    out = through(signal)
    last_word = rms_db(window(out, 4.5, 4.65)) - rms_db(window(signal, 4.5, 4.65))
    pause = [rms_db(window(out, t, t + 1)) - rms_db(window(signal, t, t + 1)) for t in range(6, 25)]
    assert np.ptp(pause) < 0.01
    assert pause[0] == pytest.approx(last_word, abs=1.0)


def test_noise_alone_is_never_raised() -> None:
    signal = noise(-50, 30)
    np.testing.assert_array_equal(through(signal), signal)


def test_gain_stays_within_its_bounds() -> None:
    weak = through(syllables(-70, 10), max_gain_db=12.0)
    assert rms_db(window(weak, 8, 10)) == pytest.approx(-58.0 + PATTERN_DB, abs=0.5)
    strong = through(syllables(10, 10), min_gain_db=-6.0)
    assert rms_db(window(strong, 8, 10)) == pytest.approx(4.0 + PATTERN_DB, abs=0.5)


def test_meters_read_what_the_gain_did() -> None:
    stage = LevellerDesign(target_db=-20.0).build(Context())
    stage.process(np.concatenate([syllables(-30, 6), syllables(-10, 4)]))
    meters = stage.meters
    assert meters["gain_db_now"] == pytest.approx(-10.0, abs=1.5)
    assert meters["gain_db_max"] == pytest.approx(10.0, abs=1.5)
    assert meters["gain_db_min"] == pytest.approx(-10.0, abs=1.5)
    assert meters["gain_db_min"] < meters["gain_db_mean"] < meters["gain_db_max"]
