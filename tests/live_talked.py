"""A live session that somebody talks into and somebody listens to, and what is left of it."""

import signal
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from carrierfloor.dsp.desk_kernel import FADE_SAMPLES
from carrierfloor.dsp.stage import HOP
from tests import clips
from tests.audio_server import RATE_HZ, Floats, Server
from tests.live_command import Line, is_there, live, memory_files
from tests.live_heard import (
    EXACT,
    FULL_MODULATION,
    NEGATIVE_LIMIT,
    PATH,
    POSITIVE_LIMIT,
    TOLERANCE,
    Outcome,
    usual_chain,
)
from tests.reference import antenna

Array = clips.Array
STEP = 2.0**-23  # of 24 bits
FADED = RATE_HZ // 10  # ahead of an end


def note(what: str, value: object) -> None:
    print(f"{what}: {value}")


def speech(seconds: float) -> Floats:
    """Return a man and a woman in turn, as often as it takes."""
    names = ("M2_harvard_phrases", "evening_round_female")
    spoken = np.concatenate([clips.sound(name) for name in names])
    return np.resize(spoken, round(seconds * RATE_HZ)).astype(np.float32)


def assert_limits(
    heard: Array, tolerance: float = TOLERANCE, negative_limit: float = NEGATIVE_LIMIT
) -> None:
    """Assert that what was heard keeps the limits at the antenna, from end to end."""
    verdict = antenna.judge(heard, RATE_HZ, FULL_MODULATION, PATH, 8)
    note("trough, crest", (verdict.trough, verdict.crest))
    assert verdict.trough <= negative_limit + tolerance
    assert verdict.crest <= POSITIVE_LIMIT + tolerance
    assert verdict.cutoffs == 0
    assert verdict.trough > 0.8 * negative_limit, "hardly any speech was there"


@dataclass
class Session:
    """A session that has ended, and all that is left of it."""

    played: Array
    heard: Array
    recording: Path
    lines: list[Line]
    status: int
    child: int
    left: set[str]

    @cached_property
    def recorded(self) -> Any:
        """Microphone and output, shape (n, 2)."""
        about = sf.info(self.recording)
        assert (about.subtype, about.samplerate, about.channels) == ("PCM_24", RATE_HZ, 2)
        return sf.read(self.recording)[0]

    @property
    def raw(self) -> Array:
        return np.asarray(self.recorded[:, 0])

    @property
    def sent(self) -> Array:
        return np.asarray(self.recorded[:, 1])

    @cached_property
    def expected(self) -> Array:
        """The chain on the microphone as recorded, without the hop by which the chain is later."""
        return np.concatenate((usual_chain().process(self.raw)[HOP:], np.zeros(HOP)))

    @cached_property
    def speech(self) -> slice:
        """Where in the record speech ran undisturbed: from its begin to shortly before the end."""
        return slice(int(np.flatnonzero(self.raw)[0]), int(np.flatnonzero(self.sent)[-1]) - FADED)

    def assert_heard_as_sent(self, holes: int, replayed: int = 0) -> None:
        """What was heard is what was sent, in order, with silence in between.

        A server may play up to so many samples of its own buffer again, which counts as a hole.
        """
        pieces, strange = Outcome(self.heard, self.raw, self.sent, []).pieces()
        note("heard", [(p.sent / RATE_HZ, p.length / RATE_HZ) for p in pieces])
        note("never sent there", strange)
        assert strange <= replayed
        found, missed = 0, 0
        for one, after in pairwise(pieces):
            gap = self.sent[one.sent + one.length : after.sent]
            in_step = after.heard - one.heard == after.sent - one.sent
            if not in_step or np.abs(gap).max(initial=0.0) > EXACT:  # else a pause of the talker
                found, missed = found + 1, missed + len(gap)
                note("hole", (in_step, len(gap), np.abs(gap).max(initial=0.0)))
        assert found <= holes
        assert missed < 0.1 * len(self.sent)
        assert pieces[0].sent <= self.speech.start + RATE_HZ // 10
        assert pieces[-1].sent + pieces[-1].length >= self.speech.stop

    def assert_sent_as_expected(self, tolerance: float, cuts: int) -> None:
        """All was sent as the chain makes it, but for a moment behind a cut."""
        off = np.abs(self.sent - self.expected)[self.speech]
        other = runs_of(off > tolerance)
        lost = sum(end - begin for begin, end in other)
        note("not the chain's, s", [(a / RATE_HZ, b / RATE_HZ) for a, b in other])
        note("furthest from the chain", float(off[off <= tolerance].max()))
        assert len(other) <= cuts
        assert lost < 0.1 * len(off)

    @property
    def cuts(self) -> int:
        return int(self.lines[-1]["cuts"])


def runs_of(is_so: Any) -> list[tuple[int, int]]:
    """Return where something is so, with pauses of up to a tenth of a second."""
    places = np.flatnonzero(is_so)
    groups = np.split(places, np.flatnonzero(np.diff(places) > RATE_HZ // 10) + 1)
    return [(int(one[0]), int(one[-1]) + 1) for one in groups if len(one)]


def talked(
    server: Server,
    ends: tuple[str, str],
    folder: Path,
    *options: object,
    seconds: float = 10.0,
    number: signal.Signals = signal.SIGTERM,
) -> Session:
    """Run a session with a talker and a listener, and end it while speech runs."""
    recording, before = folder / "record.wav", memory_files()
    sound = speech(seconds + 5.0)
    with (
        server.recording("cable_b") as listener,
        live(server, ends, "--record", recording, *options) as session,
    ):
        session.wait_for_sound()
        child = session.audio_process_id
        with server.talker("cable_a", sound):
            session.wait_for_recorded(seconds)
            status = session.end(number)
        left = memory_files() - before
    heard = listener.samples.astype(float)
    assert np.array_equal(heard[:, 0], heard[:, 1])
    note("words", session.words)
    lines = session.lines
    return Session(sound.astype(float), heard[:, 0], recording, lines, status, child, left)


def assert_ended_well(session: Session) -> None:
    """The fader came down, the devices' process has gone, and the recording is whole."""
    assert not is_there(session.child)
    assert not session.left
    last = int(np.flatnonzero(session.sent)[-1])
    fade = slice(last + 2 - FADE_SAMPLES, last + 1)
    # The last samples may round to nothing; and the less there is, the less the limiter takes.
    fader = 0.5 + 0.5 * np.cos(np.pi * np.arange(-8, FADE_SAMPLES - 9) / FADE_SAMPLES)
    most = 2.0 * fader * np.abs(session.expected[fade]).max() + STEP
    note("loudest of the 20 ms before", np.abs(session.sent[last - 960 : last]).max())
    assert (np.abs(session.sent[fade]) <= most).all()
    steps = np.abs(np.diff(session.sent[last - 960 : last + 10]))
    usual = np.abs(np.diff(session.expected[last - 960 : last + 10]))
    assert steps.max() <= 2.0 * usual.max()
