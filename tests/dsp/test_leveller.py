"""The leveller: every talker at the same level, still pauses, a graceful start."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.leveller import LevellerDesign
from carrierfloor.dsp.stage import Context
from tests.dsp.level_signals import RATE_HZ, Audio, noise, rms_db, syllables, window

PATTERN_DB = 10 * np.log10(0.6)  # syllables() talks for 0.15 s of every 0.25 s


def through(audio: Audio, **settings: float) -> Audio:
    return LevellerDesign(**settings).build(Context()).process(audio)


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
    speech = np.concatenate([syllables(-20, 8), syllables(-8, 6), syllables(-20, 8)])
    out = through(speech, gain_up_s=2.0, gain_down_s=0.15)
    gain = [
        rms_db(window(out, t, t + 0.15)) - rms_db(window(speech, t, t + 0.15))
        for t in np.arange(0, 21.9, 0.25)
    ]
    before, at_500_ms, settled = gain[31], gain[34], gain[55]
    assert settled - before == pytest.approx(-12.0, abs=0.6)
    assert at_500_ms - before < -10.0
    up_after_2_s = gain[64] - settled  # 64 * 0.25 s = 16 s, 2 s after the step; 60 % of it talking
    assert 12 * (1 - np.exp(-1.0 / 2)) - 1.5 < up_after_2_s < 12 * (1 - np.exp(-1.6 / 2)) + 1.5


def test_gain_stands_still_in_a_pause() -> None:
    speech = np.concatenate([syllables(-30, 5), noise(-62, 20), syllables(-30, 1)])
    out = through(speech)
    last_word = rms_db(window(out, 4.5, 4.65)) - rms_db(window(speech, 4.5, 4.65))
    pause = [rms_db(window(out, t, t + 1)) - rms_db(window(speech, t, t + 1)) for t in range(6, 25)]
    assert np.ptp(pause) < 0.01
    assert pause[0] == pytest.approx(last_word, abs=1.0)


def test_noise_alone_is_never_raised() -> None:
    speech = noise(-50, 30)
    np.testing.assert_array_equal(through(speech), speech)


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
    assert meters["gain_max_db"] == pytest.approx(10.0, abs=1.5)
    assert meters["gain_min_db"] == pytest.approx(-10.0, abs=1.5)
    assert meters["gain_min_db"] < meters["gain_mean_db"] < meters["gain_max_db"]


@pytest.mark.parametrize("shelf_db", [-12.0, 0.0, 12.0])
def test_two_bands_bring_a_dull_and_a_shrill_voice_to_one_balance(shelf_db: float) -> None:
    """Above and below the crossover the same rms, whatever the talker's treble.

    Within 3.5 dB: near the crossover the stronger band shows in the other one.
    """
    low, high = (
        signal.sosfilt(signal.butter(4, 1000.0, kind, fs=RATE_HZ, output="sos"), noise(-25, 10))
        for kind in ("low", "high")
    )
    talks = syllables(0, 10) != 0.0
    out = through((low + high * 10 ** (shelf_db / 20)) * talks, crossover_hz=1000.0)
    bands = []
    for kind in ("low", "high"):
        band = signal.sosfilt(signal.butter(8, 1000.0, kind, fs=RATE_HZ, output="sos"), out)
        bands.append(rms_db(window(band, 7, 10)))
    assert bands[0] == pytest.approx(bands[1], abs=3.5)
    assert bands[0] == pytest.approx(-20.0 + PATTERN_DB, abs=3.0)


def test_treble_can_be_set_higher() -> None:
    speech = syllables(-25, 10)
    flat = through(speech, crossover_hz=1000.0)
    bright = through(speech, crossover_hz=1000.0, treble_db=6.0)
    high_pass = signal.butter(8, 3000.0, "high", fs=RATE_HZ, output="sos")
    gained = rms_db(window(signal.sosfilt(high_pass, bright), 7, 10)) - rms_db(
        window(signal.sosfilt(high_pass, flat), 7, 10)
    )
    assert gained == pytest.approx(6.0, abs=0.1)
