"""Keys through real pseudo-terminals."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from carrierfloor.cli import live_keys
from carrierfloor.cli.keyboard import Keyboard, split_keys

pty = pytest.importorskip("pty")
termios = pytest.importorskip("termios")

PATIENCE_S = 30.0
PROGRAM = """
import time
from carrierfloor.cli.keyboard import Keyboard
from carrierfloor.cli.signals import signals_as_exceptions
with signals_as_exceptions(), Keyboard() as keyboard:
    print("on" if keyboard.is_on else "off", flush=True)
    keys = []
    while "q" not in keys:
        keys = keyboard.pressed()
        if keys:
            print(*keys, flush=True)
        if "x" in keys:
            raise RuntimeError("as asked")
        time.sleep(0.01)
"""


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    """Return the two ends of a terminal: the user's and the program's."""
    ends = pty.openpty()
    yield ends
    for end in ends:
        os.close(end)


def soon(keyboard: Keyboard) -> list[str]:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        keys = keyboard.pressed()
        if keys:
            return keys
        time.sleep(0.002)
    raise AssertionError("no key came")


def test_keys_and_arrows(terminal: tuple[int, int]) -> None:
    user, program = terminal
    with Keyboard(program) as keyboard:
        assert keyboard.is_on
        assert keyboard.pressed() == []
        os.write(user, b"a+ \t\x1b[A\x1bOB\r")
        assert soon(keyboard) == ["a", "+", "space", "tab", "up", "down", "enter"]
        os.write(user, "ä".encode())
        assert soon(keyboard) == ["ä"]
        assert keyboard.pressed() == []
    assert not keyboard.is_on


def test_a_sequence_in_pieces(terminal: tuple[int, int]) -> None:
    """As over a slow network: it must not become voice B."""
    user, program = terminal
    with Keyboard(program) as keyboard:
        for piece in (b"\x1b", b"["):
            os.write(user, piece)
            end = time.monotonic() + 0.15
            while time.monotonic() < end:
                assert keyboard.pressed() == []
        os.write(user, b"B")
        assert soon(keyboard) == ["down"]


def test_a_lone_escape(terminal: tuple[int, int]) -> None:
    user, program = terminal
    with Keyboard(program) as keyboard:
        os.write(user, b"\x1b")
        assert soon(keyboard) == ["escape"]
        os.write(user, b"m")
        assert soon(keyboard) == ["m"]


@pytest.mark.parametrize(
    "sequence", ["\x1b[1;5A", "\x1b[3~", "\x1b[15~", "\x1bm", "\x1bOP", "\x1b[200~", "\x00", "\x7f"]
)
def test_other_keys_are_no_letters(sequence: str) -> None:
    """Delete, F5, Alt-M and their like must not mute or quit anything."""
    assert split_keys(f"k{sequence}k") == (["k", "k"], "")


def test_terminal_is_restored(terminal: tuple[int, int]) -> None:
    _, program = terminal
    before = termios.tcgetattr(program)
    with Keyboard(program):
        during = termios.tcgetattr(program)
        assert not during[3] & (termios.ECHO | termios.ICANON)
        assert during[3] & termios.ISIG
    assert termios.tcgetattr(program) == before
    with pytest.raises(ZeroDivisionError), Keyboard(program):
        raise ZeroDivisionError
    assert termios.tcgetattr(program) == before


def test_unread_keys_do_not_reach_the_shell(terminal: tuple[int, int]) -> None:
    user, program = terminal
    with Keyboard(program):
        os.write(user, b"rm\n")
        time.sleep(0.05)
    os.set_blocking(program, False)
    with pytest.raises(BlockingIOError):
        os.read(program, 10)


def test_off_without_a_terminal() -> None:
    reading, writing = os.pipe()
    os.write(writing, b"q")
    with Keyboard(reading) as keyboard:
        assert not keyboard.is_on
        assert keyboard.pressed() == []
    assert os.read(reading, 1) == b"q"
    for end in (reading, writing):
        os.close(end)


def test_user_closes_the_terminal() -> None:
    user, program = pty.openpty()
    with Keyboard(program) as keyboard:
        os.close(user)
        assert keyboard.pressed() == []
        assert not keyboard.is_on
        assert keyboard.pressed() == []
    os.close(program)


def started(program: int, code: str = PROGRAM) -> "subprocess.Popen[bytes]":
    """Start a program whose terminal it is, as from a shell."""
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=program,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=lambda: os.close(os.open(os.ttyname(0), os.O_RDWR)),
    )


@pytest.mark.parametrize("how", ["q", "x", "ctrl-c", "SIGTERM", "SIGINT"])
def test_terminal_is_restored_whatever_happens(terminal: tuple[int, int], how: str) -> None:
    user, program = terminal
    before = termios.tcgetattr(program)
    with started(program) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"on\n"
        assert termios.tcgetattr(program) != before
        if how.startswith("SIG"):
            process.send_signal(signal.Signals[how])
        else:
            os.write(user, b"\x03" if how == "ctrl-c" else how.encode())
        _, err = process.communicate(timeout=PATIENCE_S)
        assert termios.tcgetattr(program) == before
        assert (process.returncode == 0) == (how == "q")
        assert (b"as asked" in err) == (how == "x")


def test_ctrl_z_and_ctrl_s_do_not_stop_it(terminal: tuple[int, int]) -> None:
    """Both are keys without a name here; the program goes on reading."""
    user, program = terminal
    with started(program) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"on\n"
        os.write(user, b"\x1a\x13")
        time.sleep(0.2)
        os.write(user, b"k")
        assert process.stdout.readline() == b"k\n"
        os.write(user, b"q")
        assert process.wait(PATIENCE_S) == 0


def test_every_key_has_one_action() -> None:
    keys = [key for action in live_keys.ACTIONS for key in action.keys]
    assert len(set(keys)) == len(keys)
    assert live_keys.actions_of(["A", "up", "5", "+", "space", "q"]) == [
        live_keys.VOICE_A,
        live_keys.DRIVE_UP,
        live_keys.DRIVE_UP,
        live_keys.OTHER_VOICE,
        live_keys.QUIT,
    ]
