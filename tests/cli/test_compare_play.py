"""``compare --play`` on a real sound server, with somebody at the keys of a terminal."""

import os
import re
import select
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from carrierfloor.cli.compare import rendered_content
from carrierfloor.cli.compare_content import LISTENING_POINTS, Content, Phrase, Track, Version
from carrierfloor.cli.compare_play import Deck
from carrierfloor.cli.compare_spec import read_specs
from carrierfloor.dsp.envelope_receiver import ReceiverDesign
from carrierfloor.dsp.switched_loop import FADE_SAMPLES
from tests.audio_server import PulseServer, Recording, Server
from tests.cli.files import NOTHING, PATH_RIG, command, refusal, write_sound, write_text
from tests.clips import Array, sound
from tests.tried_again import tried_again

pytestmark = pytest.mark.device
pty = pytest.importorskip("pty")

RATE_HZ = 48_000
PATIENCE_S = 90.0
BIT = 2.0**-22  # of a 32-bit float near 1
HELD_S = 0.7  # between two keys


class Seat:
    """Somebody at the terminal."""

    def __init__(self, terminal: int, process: "subprocess.Popen[bytes]") -> None:
        self.process, self.seen = process, ""
        self._terminal = terminal

    def press(self, key: str) -> None:
        os.write(self._terminal, key.encode())
        self.look(HELD_S)

    def look(self, seconds: float) -> None:
        """Read what is shown for a time."""
        end = time.monotonic() + seconds
        while (left_s := end - time.monotonic()) > 0.0:
            if select.select([self._terminal], [], [], left_s)[0]:
                try:
                    self.seen += os.read(self._terminal, 65_536).decode(errors="replace")
                except OSError:  # the command has ended
                    return

    def wait_for(self, words: str) -> None:
        end = time.monotonic() + PATIENCE_S
        while not re.search(words, self.seen):
            assert time.monotonic() < end, self.seen
            self.look(0.05)

    def ended(self) -> int:
        """Wait for the end; return the exit status."""
        end = time.monotonic() + PATIENCE_S
        while self.process.poll() is None:
            assert time.monotonic() < end, self.seen
            self.look(0.05)
        return self.process.wait()


@contextmanager
def seated(server: Server, *arguments: object) -> Iterator[Seat]:
    """Run a command in a terminal of its own."""
    user, program = pty.openpty()
    process = subprocess.Popen(
        command(*arguments), env=server.environment | {"TERM": "xterm", "COLUMNS": "100"},
        stdin=program, stdout=program, stderr=program, start_new_session=True,
    )  # fmt: skip
    os.close(program)
    try:
        yield Seat(user, process)
    finally:
        process.kill()
        process.wait()
        os.close(user)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("play")
    write_sound(made / "phrase.wav", sound("F1_harvard_phrases")[48_000:120_000])
    write_text(made / "nothing.toml", NOTHING)
    write_text(made / "rig.toml", PATH_RIG)
    return made


def test_what_the_keys_do() -> None:
    """Every track is a constant of its own, so that one sample tells which is heard."""

    def version(number: int) -> Version:
        tracks = {
            point: Track(
                samples=np.full(4800, number + where, np.float32),
                rate_hz=RATE_HZ,
                lu=0.0,
                lu_before=0.0,
                gain_db=0.0,
            )
            for where, point in enumerate(LISTENING_POINTS)
        }
        return Version(name=f"v{number % 100}", spec="", tracks=tracks)

    phrases = [
        Phrase(name=name, versions=[version(first + 10), version(first + 20)])
        for name, first in (("one", 100), ("two", 200))
    ]
    deck = Deck(Content(title="", phrases=phrases, receiver=""))
    now = 0

    def after(key: str) -> float:
        nonlocal now
        deck.press(key)
        now += 1000
        return float(deck.loop.at(now - 1000, 1000)[-1])

    wanted = {"": 110, "2": 120, "3": 120, "0": 120, "l": 121, "n": 221, "1": 211, "x": 211}
    assert [after(key) for key in wanted] == list(wanted.values())
    assert [after(key) for key in ("l", "l", "space", "2", "space")] == [212, 210, 0, 0, 220]
    assert [after(key) for key in "racl"] == [222, 221, 220, 221]
    wide, narrow = (deck.line(now, width).plain.splitlines() for width in (40, 13))
    assert wide[0] == " 1 v10  2 v20 "
    assert wide[1].startswith(" At the antenna, playing two")
    assert narrow[:2] == [" 1 v10 ", " 2 v20 "]  # no name is broken


@pytest.fixture(scope="module")
def pulse() -> Iterator[PulseServer]:
    with PulseServer() as server:
        yield server


def wanted(folder: Path) -> list[object]:
    """The command: the limiter alone, and the phrase unprocessed."""
    return ["compare", folder / "phrase.wav", "--with", f"{folder}/nothing.toml",
            "--with", "unprocessed", "--rig", folder / "rig.toml"]  # fmt: skip


@cache
def rendered(folder: Path) -> Content:
    """What the command plays."""
    specs = read_specs([f"{folder}/nothing.toml", "unprocessed"], f"{folder}/rig.toml")
    return rendered_content([folder / "phrase.wav"], specs, ReceiverDesign())


def track(content: Content, version: int, point: str) -> Array:
    return np.asarray(content.phrases[0].versions[version].tracks[point].samples)


@dataclass(frozen=True)
class Stretch:
    """A sound, or silence, from a sample of the recording on."""

    sound: Array | None
    begin: int
    place: int  # in the sound

    def place_at(self, n: Any) -> Any:
        return self.place + (n - self.begin if self.sound is not None else 0)

    def samples(self, n: Any) -> tuple[Array, Any]:
        """Return what belongs there, and where it is clear of the loop's own fade."""
        if self.sound is None:
            return np.zeros(len(n)), True
        places = self.place_at(n) % (len(self.sound) - FADE_SAMPLES)
        return self.sound[places], places >= FADE_SAMPLES


class Heard:
    """A recording, followed from one change to the next.

    Every sample is compared with what belongs there: the sound before and the one behind, mixed on
    a raised cosine of 10 ms.  A step, or a sample too many or too few, is found at once.
    """

    def __init__(self, recording: Recording, first: Array) -> None:
        heard = recording.samples[:, 0].astype(float)
        np.testing.assert_array_equal(heard, recording.samples[:, 1])
        about, known = int(np.flatnonzero(heard)[0]), first[FADE_SAMPLES:12_000]
        errors = [
            np.abs(heard[at + FADE_SAMPLES :][: len(known)] - known).max()
            for at in range(about - FADE_SAMPLES, about + 1)
        ]
        begin = about - FADE_SAMPLES + int(np.argmin(errors))
        self._heard, self._now = heard[begin:], Stretch(first, 0, 0)

    def then(self, sound: Array | None) -> int:
        """Follow it to where another sound is heard; return how long the one before was."""
        n = np.arange(self._now.begin + FADE_SAMPLES, len(self._heard))
        now, is_clear = self._now.samples(n)
        differs = np.flatnonzero((np.abs(self._heard[n] - now) > BIT) & is_clear)
        assert len(differs), "nothing else is heard"
        about = int(n[differs[0]])  # a raised cosine begins flat
        later = [Stretch(sound, at, self._now.place_at(at)) for at in range(about - 120, about + 1)]
        errors = [self._error(stretch) for stretch in later]
        assert min(errors) < 4 * BIT
        before, self._now = self._now, later[int(np.argmin(errors))]
        return self._now.begin - before.begin

    def _error(self, stretch: Stretch) -> float:
        """Return how far beside it the recording is if this is what comes next."""
        n = np.arange(stretch.begin, min(stretch.begin + 4 * FADE_SAMPLES, len(self._heard)))
        (before, clear_before), (behind, clear_behind) = self._now.samples(n), stretch.samples(n)
        done = np.clip((n - stretch.begin + 0.5) / FADE_SAMPLES, 0.0, 1.0)
        wanted = before + (0.5 - 0.5 * np.cos(np.pi * done)) * (behind - before)
        errors = np.abs(self._heard[n] - wanted)[clear_before & clear_behind & (n >= 0)]
        return float(errors.max(initial=0.0))


@contextmanager
def playing(server: Server, folder: Path) -> Iterator[Seat]:
    """Play on a cable while the block runs; it must end by itself."""
    arguments = [*wanted(folder), "--play", "--output", "cable_a_out"]
    with seated(server, *arguments) as seat:
        seat.wait_for("playing phrase")
        seat.look(HELD_S)
        yield seat


@tried_again
def test_keys_switch_in_step_and_without_a_click(pulse: PulseServer, folder: Path) -> None:
    content = rendered(folder)
    with pulse.recording("cable_a") as recording, playing(pulse, folder) as seat:
        for key in ("2", "l", "1", "9", " ", " "):
            seat.press(key)
        seat.press("q")
        assert seat.ended() == 0
    assert "At the antenna, paused phrase" in seat.seen
    heard = Heard(recording, track(content, 0, "card"))
    for version, point in ((1, "card"), (1, "antenna"), (0, "antenna")):
        assert heard.then(track(content, version, point)) > 0.3 * RATE_HZ
    assert heard.then(None) > 1.2 * RATE_HZ  # the key 9 did nothing
    assert heard.then(track(content, 0, "antenna")) > 0.3 * RATE_HZ
    heard.then(None)


@tried_again
def test_ctrl_c_ramps_down(pulse: PulseServer, folder: Path) -> None:
    with pulse.recording("cable_a") as recording, playing(pulse, folder) as seat:
        seat.process.send_signal(signal.SIGINT)
        assert seat.ended() == 130
    Heard(recording, track(rendered(folder), 0, "card")).then(None)


def test_without_keys_it_is_refused(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = refusal(capsys, *wanted(folder), "--play")
    assert "--play is steered by keys; run it in a terminal, or use --page" in said
    said = refusal(capsys, *wanted(folder), "--page", folder / "x.html", "--output", 3)
    assert "--output 3 goes with --play" in said
    assert not (folder / "x.html").exists()
