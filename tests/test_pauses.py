"""Pauses and word ends of the default voice, on noisy recordings of people.

Levels of speech are active speech levels (ITU-T P.56).  The room is noise with the spectrum of a
quiet room, falling by 6 dB per octave above 500 Hz (common practice, no source), 40 dB under the
speech; each clip runs twice with a pause of 3 s between and after.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor import presets
from carrierfloor.dsp.activity import ActiveSpeechMeter
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.voice import Voice
from tests.dsp.contract import CLIPS, RATE_HZ, speech

Audio = NDArray[np.float64]
PAUSE_S = 3.0
ROOM_DB = -40.0
FRAME = 480  # 10 ms


def active_db(audio: Audio) -> float:
    meter = ActiveSpeechMeter()
    meter.feed(audio)
    return meter.read().active_db


def rms_db(audio: Audio) -> float:
    return float(10.0 * np.log10(np.mean(audio**2)))


def frames_db(audio: Audio) -> Audio:
    """Level of each 10 ms, in dB."""
    whole = audio[: len(audio) // FRAME * FRAME].reshape(-1, FRAME)
    return np.asarray(10.0 * np.log10(np.mean(whole**2, axis=1) + 1e-20))


def room(samples: int, level_db: float) -> Audio:
    """Room noise with the given rms."""
    white = np.random.default_rng(11).standard_normal(samples)
    coloured = signal.sosfilt(signal.butter(1, 500.0, fs=RATE_HZ, output="sos"), white)
    return np.asarray(coloured * 10.0 ** (level_db / 20.0) / np.sqrt(np.mean(coloured**2)))


@dataclass(frozen=True)
class Take:
    """A clip in a room, and the modulation that a voice makes of it, in step."""

    heard: Audio
    out: Audio
    pause_at: int  # first sample after the first run of the clip
    talk_again_at: int

    def pause(self, audio: Audio, start_s: float, stop_s: float) -> Audio:
        """The part of the first pause between two times after its begin."""
        return audio[self.pause_at + round(start_s * RATE_HZ) :][
            : round((stop_s - start_s) * RATE_HZ)
        ]


def record(clip: str, voice: Voice, microphone_db: float = 0.0) -> Take:
    words = speech(clip, rms=0.05)
    gap = np.zeros(round(PAUSE_S * RATE_HZ))
    talk = np.concatenate([words, gap, words, gap])
    heard = talk + room(len(talk), active_db(talk) + ROOM_DB)
    heard *= 10.0 ** (microphone_db / 20.0)
    chain = Chain(voice, presets.rig())
    out = np.concatenate([chain.process(heard), chain.flush()])[chain.latency_samples :]
    return Take(heard, out, len(words), len(words) + len(gap))


@cache
def default_take(clip: str) -> Take:
    return record(clip, presets.voice())


@cache
def take_without_gate(clip: str) -> Take:
    voice = presets.voice()
    kept = tuple(stage for stage in voice.stages if stage.kind != "gate")
    assert len(kept) == len(voice.stages) - 1
    return record(clip, replace(voice, stages=kept))


@pytest.mark.parametrize("clip", CLIPS)
def test_room_40_db_down_comes_out_at_least_25_db_down(clip: str) -> None:
    """From 0.6 s after the last word, when the gate has closed, to just before the next."""
    take = default_take(clip)
    assert active_db(take.out) - rms_db(take.pause(take.out, 0.6, 2.95)) > 25.0


@pytest.mark.parametrize("microphone_db", [-25.0, 15.0])
def test_and_at_any_microphone_level(microphone_db: float) -> None:
    take = record("M2", presets.voice(), microphone_db)
    assert active_db(take.out) - rms_db(take.pause(take.out, 0.6, 2.95)) > 25.0


@pytest.mark.parametrize("clip", CLIPS)
def test_gate_is_heard_in_the_pause(clip: str) -> None:
    """It takes at least 5 dB off the room that the same voice lets through without it."""
    quiet = rms_db(default_take(clip).pause(default_take(clip).out, 0.8, 2.95))
    open_ = take_without_gate(clip)
    assert quiet < rms_db(open_.pause(open_.out, 0.8, 2.95)) - 5.0


@pytest.mark.parametrize("clip", CLIPS)
def test_words_and_their_ends_are_not_chopped(clip: str) -> None:
    """Against the same voice without its gate: what the gate takes from speech down to -30 dB.

    Frames of 10 ms from 30 dB under the active level on, so weak word ends and beginnings as
    well; on average it takes at most 0.1 dB, and from two frames in a hundred more than 3 dB.
    """
    words = speech(clip, rms=0.05)
    wanted = frames_db(words) > active_db(words) - 30.0
    gated = frames_db(default_take(clip).out[: len(words)])[: len(wanted)]
    open_ = frames_db(take_without_gate(clip).out[: len(words)])[: len(wanted)]
    lost_db = (open_ - gated)[wanted]
    assert lost_db.mean() < 0.1
    assert np.mean(lost_db > 3.0) < 0.02


@pytest.mark.parametrize("clip", CLIPS)
def test_last_tail_dies_away_as_in_the_room(clip: str) -> None:
    """In the 100 ms after the last word the gate is still open: within 1 dB of no gate at all."""
    words = speech(clip, rms=0.05)
    last = int(np.flatnonzero(frames_db(words) > active_db(words) - 30.0)[-1]) * FRAME
    tail = slice(last, last + round(0.1 * RATE_HZ))
    gated, open_ = default_take(clip).out[tail], take_without_gate(clip).out[tail]
    assert rms_db(gated) == pytest.approx(rms_db(open_), abs=1.0)


@pytest.mark.parametrize("clip", CLIPS)
def test_room_does_not_pump_in_the_pause(clip: str) -> None:
    """Once closed, the level of 100 ms pieces swings no more than in the room itself, plus 3 dB.

    And it does not creep up: the last second is no louder than the one before, plus 1 dB.
    """
    take = default_take(clip)
    swing = [
        float(np.ptp([rms_db(piece) for piece in np.split(take.pause(audio, 1.0, 2.9), 19)]))
        for audio in (take.heard, take.out)
    ]
    assert swing[1] < swing[0] + 3.0
    before = rms_db(take.pause(take.out, 0.95, 1.95))
    assert rms_db(take.pause(take.out, 1.95, 2.95)) < before + 1.0


@pytest.mark.parametrize("clip", CLIPS)
def test_first_word_after_the_pause_is_whole(clip: str) -> None:
    """The first 100 ms of speech after the pause: within 1.5 dB of the voice without its gate."""
    words = speech(clip, rms=0.05)
    first = int(np.flatnonzero(frames_db(words) > active_db(words) - 20.0)[0]) * FRAME
    start = default_take(clip).talk_again_at + first
    begin = slice(start, start + round(0.1 * RATE_HZ))
    gated, open_ = default_take(clip).out[begin], take_without_gate(clip).out[begin]
    assert rms_db(gated) == pytest.approx(rms_db(open_), abs=1.5)
