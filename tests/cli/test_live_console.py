"""``live`` in a real terminal: every key does what it says, and the screen is whole."""

import json
import shlex
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests import clips
from tests.audio_server import JackServer, wait_for
from tests.cli.test_console import Terminal, screen_behind
from tests.live_command import FIRST_START_S, command

pytestmark = [
    pytest.mark.device,
    pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed"),
    pytest.mark.slow,
]

Row = dict[str, Any]


class Session:
    """The console of a session, with its log."""

    def __init__(self, terminal: Terminal, log: Path) -> None:
        self.terminal, self._log = terminal, log

    @property
    def rows(self) -> list[Row]:
        return [json.loads(line) for line in self._log.read_text("utf-8").split("\n")[:-1]]

    def press(self, key: str, event: str, detail: str) -> Row:
        """Press a key and wait for what the log says to it; return that row."""
        past = len(self.rows)
        self.terminal.tmux("send-keys", key)

        def news() -> list[Row]:
            return [
                row
                for row in self.rows[past:]
                if row["event"] == event and str(row["detail"]).startswith(detail)
            ]

        wait_for(lambda: bool(news()), f"{key}: {event} {detail}")
        return news()[0]


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Session]:
    """Start it in a terminal, with speech at the microphone."""
    folder = tmp_path_factory.mktemp("console")
    log = folder / "log.jsonl"
    spoken = np.concatenate([clips.sound(one) for one in ("M2_harvard_phrases",) * 30])
    with ExitStack() as stack:
        server = stack.enter_context(JackServer())
        options = ("--log", log, "--voice-b", "dense", "--record", folder / "record.wav")
        words = [
            "env",
            *(f"{key}={value}" for key, value in server.environment.items() if is_led(key)),
            *command("cable_a", "cable_b", *options),
        ]
        script = folder / "start.sh"
        script.write_text(f"cd {shlex.quote(str(clips.ROOT))}; exec {shlex.join(words)}", "utf-8")
        terminal = Terminal(folder)
        stack.callback(terminal.tmux, "kill-server")
        terminal.wait_for(lambda lines: bool(lines[0].strip()))
        terminal.type(f"sh {script}\n")
        wait_for(
            lambda: any(line.startswith(" AUDIO ON ") for line in terminal.lines()),
            "the console",
            FIRST_START_S,
        )
        stack.enter_context(server.talker("cable_a", spoken.astype(np.float32)))
        yield Session(terminal, log)


def is_led(key: str) -> bool:
    return key.startswith(("JACK", "NUMBA", "XDG", "HOME"))


def test_voices(session: Session) -> None:
    assert session.press("b", "voice", "B ")["voice_key"] == "B"
    assert session.press("a", "voice", "A ")["voice_name"] == "Everyday, 4 kHz"
    session.press("Space", "voice", "B ")
    session.press("Space", "voice", "A ")
    session.press("y", "voice", "bypass")
    row = session.press("Tab", "voice", "A ")
    assert row["drive_db"] == 11.2


def test_drive(session: Session) -> None:
    for key, drive in (("Up", "+12.2"), ("+", "+13.2"), ("Down", "+12.2"), ("-", "+11.2")):
        session.press(key, "drive", f"{drive} dB")


def test_mute_match_and_mark(session: Session) -> None:
    session.press("m", "state", "muted")
    session.terminal.wait_for(lambda lines: lines[0].startswith(" MUTED "))
    session.press("M", "state", "on")
    assert session.press("l", "match", "on")["voices_matched"]
    session.press("l", "match", "off")
    assert session.press("k", "mark", "1")["marks"] == 1
    assert session.press("k", "mark", "2")["marks"] == 2


def whole(width: int, height: int) -> Callable[[list[str]], bool]:
    def is_whole(lines: list[str]) -> bool:
        return (
            len(lines) == height
            and lines[0].startswith(" AUDIO ON ")
            and len(lines[0].rstrip()) == width - 1
            and lines[-1].rstrip().endswith("q quit")
            and sum("Negative" in line for line in lines) == 1
        )

    return is_whole


@pytest.mark.parametrize(("width", "height"), [(160, 50), (80, 24)])
def test_the_screen_is_whole(width: int, height: int, session: Session) -> None:
    session.terminal.resize(width, height)
    lines = session.terminal.wait_for(whole(width, height))
    print("\n".join(lines))
    assert max(map(len, lines)) <= width
    assert not any("…" in line for line in lines), "something is cut"
    shown = "\n".join(lines)
    for words in ("Everyday, 4 kHz", "cable_a", "cable_b", "record.wav", "Xruns", "Latency"):
        assert words in shown
    assert ("Trapezoid" in shown) == (width == 160)


def test_quit(session: Session) -> None:
    """It comes last."""
    session.terminal.tmux("send-keys", "q")
    lines = screen_behind(session.terminal, "Ramped down after")
    assert not any("Negative" in line for line in lines)
    assert session.rows[-1]["state"] in ("on", "ended")
