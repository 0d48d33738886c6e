"""The console in a real terminal: tmux draws it, and says what a user would see."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from carrierfloor.cli.console import Console, can_show
from tests.cli.moments import moment
from tests.clips import ROOT

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")

PATIENCE_S = 30.0
PROGRAM = """
import time
from carrierfloor.cli.console import Console, can_show
from carrierfloor.cli.signals import signals_as_exceptions
from tests.cli.moments import moment
assert can_show()
status = moment()
with signals_as_exceptions(), Console() as console:
    assert console.has_keys
    actions = []
    while "quit" not in actions:
        console.show(status)
        actions = console.actions()
        if actions:
            status = moment(message="asked for: " + ", ".join(actions))
        if "mute" in actions:
            raise RuntimeError("as asked")
        if "mark" in actions:
            status = None  # cannot be drawn
        time.sleep(0.02)
print("bye")
"""


class Terminal:
    """A terminal of tmux with a shell in it."""

    def __init__(self, folder: Path) -> None:
        self._socket = folder / "tmux"
        environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES", "TMUX")}
        self._environment = {
            **environment,
            "PS1": "$ ",
            "PYTHONPATH": str(ROOT),
            "LC_ALL": "C.UTF-8",
        }
        self.tmux("new-session", "-d", "-x", "80", "-y", "24", "sh")

    def tmux(self, *arguments: str) -> str:
        return subprocess.run(
            ["tmux", "-u", "-S", str(self._socket), "-f", os.devnull, *arguments],
            check=True,
            capture_output=True,
            text=True,
            env=self._environment,
            cwd=ROOT,
        ).stdout

    def type(self, words: str) -> None:
        self.tmux("send-keys", "-l", words)

    def lines(self) -> list[str]:
        return self.tmux("capture-pane", "-p").split("\n")[:-1]

    def wait_for(self, shown: Callable[[list[str]], bool]) -> list[str]:
        """Return the screen as soon as it is as wanted."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            lines = self.lines()
            if shown(lines):
                return lines
            time.sleep(0.05)
        raise AssertionError("\n".join(self.lines()))

    def resize(self, width: int, height: int) -> None:
        self.tmux("resize-window", "-x", str(width), "-y", str(height))


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Terminal]:
    program = tmp_path / "show.py"
    program.write_text(PROGRAM, "utf-8")
    shell = Terminal(tmp_path)
    try:
        shell.wait_for(lambda lines: bool(lines[0].strip()))  # the prompt
        shell.type(f"{sys.executable} {program}\n")
        shell.wait_for(lambda lines: "AUDIO ON" in lines[0])
        yield shell
    finally:
        shell.tmux("kill-server")


def screen_behind(terminal: Terminal, last_words: str) -> list[str]:
    """Return the shell's screen after the program's last words; it must read whole lines."""
    terminal.wait_for(lambda lines: any(line.startswith(last_words) for line in lines))
    terminal.type("stty -a | grep -o '.icanon'\n")
    return terminal.wait_for(lambda lines: any(line.endswith(" icanon") for line in lines))


def fills(width: int, height: int) -> Callable[[list[str]], bool]:
    """Return a test: the whole console, from its first line to the keys, in its place."""

    def test(lines: list[str]) -> bool:
        return (
            len(lines) == height
            and lines[0].startswith(" AUDIO ON ")
            and lines[0].rstrip().endswith("14:02:11")
            and len(lines[0].rstrip()) == width - 1
            and lines[-1].rstrip().endswith("q quit")
            and sum("Negative" in line for line in lines) == 1
            and not any("…" in line for line in lines)
        )

    return test


def test_follows_the_size_of_the_terminal(terminal: Terminal) -> None:
    for width, height in [(80, 24), (160, 50), (60, 20), (100, 40), (80, 24)]:
        terminal.resize(width, height)
        lines = terminal.wait_for(fills(width, height))
        assert any("-71.4 %" in line for line in lines)
        assert any("cut-off ─" in line for line in lines)
        assert any("Trapezoid" in line for line in lines) == (width == 160)


def test_keys_and_help(terminal: Terminal) -> None:
    terminal.tmux("send-keys", "Up")
    terminal.wait_for(lambda lines: "asked for: drive up" in lines[-2])
    terminal.type("h")
    terminal.wait_for(lambda lines: any("mark the moment" in line for line in lines))
    terminal.type("b")
    lines = terminal.wait_for(lambda lines: "asked for: voice B" in lines[-2])
    assert any("mark the moment" in line for line in lines)
    terminal.type("h")
    terminal.wait_for(lambda lines: not any("mark the moment" in line for line in lines))
    terminal.type("q")
    lines = screen_behind(terminal, "bye")
    assert not any(word in line for line in lines for word in ("Negative", "cut-off", "⣿"))


@pytest.mark.parametrize(
    ("key", "last_words"),
    [("m", "RuntimeError: as asked"), ("k", "AttributeError"), ("C-c", "KeyboardInterrupt")],
)
def test_screen_is_restored_whatever_happens(terminal: Terminal, key: str, last_words: str) -> None:
    """An exception, one in drawing, and Ctrl-C."""
    terminal.resize(160, 50)  # room for the traceback, and more than was there before
    terminal.wait_for(fills(160, 50))
    terminal.tmux("send-keys", key)
    lines = screen_behind(terminal, last_words)
    assert not any(word in line for line in lines for word in ("Negative", "cut-off", "⣿"))


def test_screen_is_restored_after_sigterm(terminal: Terminal) -> None:
    terminal.resize(160, 50)
    terminal.wait_for(fills(160, 50))
    shell = terminal.tmux("list-panes", "-F", "#{pane_pid}").strip()
    children = Path(f"/proc/{shell}/task/{shell}/children").read_text().split()
    os.kill(int(children[0]), 15)
    lines = screen_behind(terminal, "carrierfloor.cli.signals.Terminated")
    assert not any(word in line for line in lines for word in ("Negative", "cut-off", "⣿"))


def test_a_terminal_that_takes_nothing_stops_no_session() -> None:
    """Nobody reads the other end: the session goes on, and comes to its end."""
    user, program = os.openpty()
    code = (
        "import time\n"
        "from carrierfloor.cli.console import Console\n"
        "from tests.cli.moments import moment\n"
        "import os, sys\n"
        "longest = 0.0\n"
        "with Console() as console:\n"
        "    for n in range(300):\n"
        "        begun = time.monotonic()\n"
        "        console.show(moment(message='x' * n))\n"
        "        console.actions()\n"
        "        longest = max(longest, time.monotonic() - begun)\n"
        "        time.sleep(0.01)\n"
        "sys.stderr.write(f'{longest}')\n"
        "sys.stderr.flush()\n"
        "os._exit(0)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.DEVNULL,
        stdout=program,
        stderr=subprocess.PIPE,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "TERM": "xterm",
            "COLUMNS": "160",
            "LINES": "50",
        },
        cwd=ROOT,
    ) as process:
        _, err = process.communicate(timeout=PATIENCE_S)
    for end in (user, program):
        os.close(end)
    assert float(err) < 1.0


def test_no_console_without_a_terminal() -> None:
    """Under pytest standard output is no terminal."""
    assert not can_show()
    console = Console()
    assert not console.has_keys
    console.show(moment())
    assert console.actions() == []
