"""Loudness against the test signals of EBU Tech 3341, and matching.

EBU Tech 3341 (2016), table 1, is for stereo: the same signal in both channels.  One channel alone
is 3.01 LU less loud (ITU-R BS.1770-4, equation 3: powers of channels add up).
"""

import math

import numpy as np
import pytest

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.loudness import HIGHEST_TRUE_PEAK_DB, loudness, matched
from tests.clips import Array, sound

RATE_HZ = 48_000
ONE_OF_TWO_CHANNELS = -10.0 * math.log10(2.0)


def tone(*steps: tuple[float, float], hz: float = 1000.0) -> Array:
    """A sine that holds levels in dBFS for times in seconds."""
    gain = np.concatenate([np.full(round(s * RATE_HZ), 10 ** (db / 20)) for db, s in steps])
    return np.asarray(gain * np.sin(2 * np.pi * hz * np.arange(len(gain)) / RATE_HZ))


@pytest.mark.parametrize(
    ("steps", "stereo_lufs"),
    [
        ([(-23, 20)], -23.0),
        ([(-33, 20)], -33.0),
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
    ids=[1, 2, 3, 4, 5],
)
def test_ebu_test_signals(steps: list[tuple[float, float]], stereo_lufs: float) -> None:
    """EBU Tech 3341, test cases 1 to 5, within its 0.1 LU."""
    assert loudness(tone(*steps)).lufs == pytest.approx(stereo_lufs + ONE_OF_TWO_CHANNELS, abs=0.1)


def test_full_scale_tone() -> None:
    """ITU-R BS.1770-4: 997 Hz at full scale in one front channel reads -3.01 LKFS."""
    assert loudness(tone((0, 5), hz=997.0)).lufs == pytest.approx(-3.01, abs=0.005)


@pytest.mark.parametrize(("degrees", "sample_peak_db"), [(0, -6.0), (45, -9.0)])
def test_true_peak_between_samples(degrees: float, sample_peak_db: float) -> None:
    """EBU Tech 3341, cases 15 and 16: fs/4 of amplitude 0.5 reads -6.0 dBTP (+0.2, -0.4)."""
    phase = np.pi / 2 * np.arange(RATE_HZ) + np.radians(degrees)
    signal = 0.5 * np.sin(phase) * np.minimum(1.0, np.arange(RATE_HZ) / 4800)
    assert 20 * np.log10(np.abs(signal).max()) == pytest.approx(sample_peak_db, abs=0.05)
    assert -6.4 <= loudness(signal).true_peak_db <= -5.8


def test_silence_and_too_short() -> None:
    """BS.1770-4: below -70 LUFS, or less than one block of 0.4 s, there is no loudness."""
    assert loudness(np.zeros(RATE_HZ)).lufs == -math.inf
    assert loudness(tone((-90, 1))).lufs == -math.inf
    assert loudness(tone((-6, 0.3))).lufs == -math.inf


def test_all_come_down_to_the_quietest() -> None:
    speech = sound("evening_round_male")[: 4 * RATE_HZ]
    signals = [0.5 * speech, 0.05 * speech, 0.2 * sound("whisper_male")[: 4 * RATE_HZ]]
    quietest = min(loudness(signal).lufs for signal in signals)
    found = matched(signals)
    for signal, one in zip(signals, found, strict=True):
        assert one.lufs == pytest.approx(quietest, abs=1e-9)
        assert loudness(one.samples).lufs == pytest.approx(one.lufs, abs=0.01)
        assert one.gain_db <= 0.0
        np.testing.assert_allclose(one.samples, 10 ** (one.gain_db / 20) * signal, rtol=1e-12)


def test_what_would_pass_full_scale_brings_all_down() -> None:
    """The quiet one has a crest over full scale between its samples; nothing is cut off."""
    peaky = np.zeros(2 * RATE_HZ)
    peaky[::6000] = 1.5
    found = list(matched([peaky, tone((-3, 2))]))
    levels = [loudness(one.samples) for one in found]
    assert levels[0].lufs == pytest.approx(levels[1].lufs, abs=0.01)
    assert max(level.true_peak_db for level in levels) == pytest.approx(
        HIGHEST_TRUE_PEAK_DB, abs=0.01
    )
    assert np.argmax(found[0].samples) == 0  # still as it was
    assert found[0].samples[0] == pytest.approx(1.5 * 10 ** (found[0].gain_db / 20))


def test_pauses_that_sink_below_the_gate() -> None:
    """BS.1770-4's two gates by hand: speech at -33 LUFS, murmur at -48, pause at -78.

    In the loud signal the pause is over -70 and counts in the mean, so that the relative gate lies
    lower and murmur takes 3.8 LU of the loudness; turned down by 20 dB neither counts.
    """
    quiet = tone((-30, 2), (-45, 3), (-75, 5))
    found = list(matched([10.0 * quiet, quiet]))
    levels = [loudness(one.samples) for one in found]
    assert levels[0].lufs == pytest.approx(levels[1].lufs, abs=0.01)
    assert [one.gain_db for one in found] == pytest.approx([-20.0, 0.0], abs=0.01)
    assert [one.lufs for one in found] == pytest.approx([level.lufs for level in levels], abs=0.01)
    assert found[0].lufs_before == loudness(10.0 * quiet).lufs


def test_silence_cannot_be_matched() -> None:
    with pytest.raises(AudioError, match=r"0\.4 s of sound over -70 LUFS .* shorter or fainter"):
        matched([tone((-20, 1)), np.zeros(RATE_HZ)])
