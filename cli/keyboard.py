"""Single keys from the terminal, without waiting for any."""

import codecs
import os
import re
import sys
import time
from types import TracebackType
from typing import Any, Self

if sys.platform != "win32":
    import select
    import termios

# A key that sends more than one character: ESC [ ... or ESC O and a letter, or ESC and a key.
SEQUENCE = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|O.|[^\[O])", re.DOTALL)
UNFINISHED = re.compile(r"\x1b(?:\[[0-?]*[ -/]*|O)?\Z")
ARROWS = {"A": "up", "B": "down", "C": "right", "D": "left"}
PLAIN_ARROW = re.compile(r"\x1b[\[O]([ABCD])\Z")
NAMES = {" ": "space", "\t": "tab", "\r": "enter", "\n": "enter", "\x1b": "escape"}
MOST_BYTES = 1024
# The rest of an arrow may be late over a network, and its letter must not count as a key.
SEQUENCE_PATIENCE_S = 0.5
LOCAL_FLAGS, INPUT_FLAGS, CHARACTERS = 3, 0, 6  # of what termios.tcgetattr returns


class Keyboard:
    """Read keys one by one inside a ``with`` statement; the terminal is restored behind it.

    Ctrl-C still interrupts.  Ctrl-Z and Ctrl-S do nothing, for they would stop the program that
    watches the audio while the audio goes on.

    It is off, and no key is ever pressed, if standard input is no terminal, if the program runs
    in the background of its terminal, and on Windows.

    Parameters
    ----------
    descriptor : int, optional
        The terminal; standard input by default.

    Attributes
    ----------
    is_on : bool
        Whether keys can be read.
    """

    def __init__(self, descriptor: int | None = None) -> None:
        self._descriptor = _standard_input() if descriptor is None else descriptor
        self._before: list[Any] | None = None
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")
        self._unread, self._unread_since_s = "", 0.0
        self.is_on = False

    def __enter__(self) -> Self:
        if sys.platform != "win32" and _is_ours(self._descriptor):
            self._before = termios.tcgetattr(self._descriptor)
            self.is_on = True
            termios.tcsetattr(self._descriptor, termios.TCSANOW, _key_by_key(self._descriptor))
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.is_on = False
        if sys.platform != "win32" and self._before is not None:
            before, self._before = self._before, None
            try:
                termios.tcflush(self._descriptor, termios.TCIFLUSH)  # keys nobody read
                termios.tcsetattr(self._descriptor, termios.TCSANOW, before)
            except termios.error:  # the terminal is gone
                return

    def pressed(self) -> list[str]:
        """Return the keys pressed since the last call, without waiting.

        Characters stand for themselves; others are ``up``, ``down``, ``left``, ``right``,
        ``space``, ``tab``, ``enter``, ``escape``.  Keys with other names are left out.
        """
        text = self._decoder.decode(self._read())
        now_s = time.monotonic()
        if text:
            keys, self._unread = split_keys(self._unread + text)
            self._unread_since_s = now_s
            return keys
        if self._unread and now_s - self._unread_since_s > SEQUENCE_PATIENCE_S:
            self._unread = ""
            return ["escape"]
        return []

    def _read(self) -> bytes:
        if sys.platform == "win32" or not self.is_on:
            return b""
        if not select.select([self._descriptor], [], [], 0.0)[0]:
            return b""
        try:
            read = os.read(self._descriptor, MOST_BYTES)
        except OSError:  # the terminal is gone
            read = b""
        self.is_on = bool(read)
        return read


def split_keys(text: str) -> tuple[list[str], str]:
    """Return the keys in what a terminal sent, and an unfinished sequence at its end."""
    keys: list[str] = []
    at = 0
    while at < len(text):
        if UNFINISHED.match(text, at):
            return keys, text[at:]
        sequence = SEQUENCE.match(text, at)
        key = sequence.group() if sequence else text[at]
        at += len(key)
        arrow = PLAIN_ARROW.match(key)
        if arrow:
            keys.append(ARROWS[arrow.group(1)])
        elif len(key) == 1 and (key in NAMES or key.isprintable()):
            keys.append(NAMES.get(key, key))
    return keys, ""


def _standard_input() -> int:
    try:
        return sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):  # there is none
        return -1


def _is_ours(descriptor: int) -> bool:
    """Return whether it is a terminal and we are in front; one in the back would be stopped."""
    if sys.platform == "win32" or descriptor < 0 or not os.isatty(descriptor):
        return False
    try:
        return os.tcgetpgrp(descriptor) == os.getpgrp()
    except OSError:  # a terminal, but not the one that steers us
        return True


def _key_by_key(descriptor: int) -> list[Any]:
    """Return the terminal's settings, changed: no lines, no echo, no stopping keys."""
    settings: list[Any] = []
    if sys.platform != "win32":
        settings = termios.tcgetattr(descriptor)
        settings[LOCAL_FLAGS] &= ~(termios.ICANON | termios.ECHO)
        settings[INPUT_FLAGS] &= ~termios.IXON
        characters = settings[CHARACTERS]
        characters[termios.VMIN], characters[termios.VTIME] = 1, 0
        characters[termios.VSUSP] = os.fpathconf(descriptor, "PC_VDISABLE").to_bytes(1, "little")
    return settings
