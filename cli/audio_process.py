"""The process that owns the sound devices, seen from the one that steers it.

Closing a device that is gone may hang for ever inside PortAudio, or abort the process.  So the
devices have a process of their own, which can be given up at any time and begun anew.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from typing import IO

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.live_plan import Opened, Plan
from carrierfloor.dsp import live_layout as at

# How long without a callback is a stall.  Meanwhile nothing is heard, so there is no haste; a
# sound server pauses at first, and after a gap for up to a second.
FIRST_PATIENCE_S, PATIENCE_S = 5.0, 1.5
FIRST_CALLBACKS = 400
ALIVE_CALLBACKS = 20
LEAVING_S = 3.0  # for the process to end by itself
NO_DEVICE, ENDED = 69, 76  # its exit status: refused; a stream ended by itself


class AudioProcess:
    """One run of the audio process.

    Parameters
    ----------
    plan : Plan
        What it opens.
    whole : ndarray of int64
        The session's memory.

    Attributes
    ----------
    opened : Opened or None
        What it opened, once it has.
    refused : bool
        Whether it ended because a device cannot be used.
    """

    def __init__(self, plan: Plan, whole: NDArray[np.int64]) -> None:
        self.opened: Opened | None = None
        self.refused = False
        self._whole = whole
        self._errors: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115  (closed by _close)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "carrierfloor.cli.live_child", plan.to_json()],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=self._errors,
            pass_fds=[plan.memory_fd],
            start_new_session=True,  # Ctrl-C is for the steering process, which ramps down first
        )
        assert self._process.stdout is not None
        self._lines = self._process.stdout
        os.set_blocking(self._lines.fileno(), False)
        self._text, self._said = b"", ""
        self._counts = self._callbacks()
        self._begun = self._counts
        self._seen_s = time.monotonic()

    @property
    def pid(self) -> int:
        """Its process number."""
        return self._process.pid

    @property
    def is_alive(self) -> bool:
        """Whether the devices are open and every callback has been called a number of times."""
        return self.opened is not None and all(
            now - begun >= ALIVE_CALLBACKS
            for now, begun in zip(self._callbacks(), self._begun, strict=True)
        )

    def trouble(self) -> str | None:
        """Say what is wrong, or ``None``; call it often.

        Returns
        -------
        str or None
            A line for the user.
        """
        self._listen()
        status = self._process.poll()
        if status is not None:
            self._listen()
            return self._why_ended(status)
        if self.opened is None:
            return None
        counts = self._callbacks()
        if all(now != before for now, before in zip(counts, self._counts, strict=True)):
            self._counts, self._seen_s = counts, time.monotonic()
        proven = min(n - b for n, b in zip(counts, self._begun, strict=True)) > FIRST_CALLBACKS
        silent_s = time.monotonic() - self._seen_s
        if silent_s > (PATIENCE_S if proven else FIRST_PATIENCE_S):
            return f"no sound has moved for {silent_s:.1f} s; is a device gone?"
        return None

    def leave(self) -> None:
        """Ask it to end and wait; end it by force where it hangs."""
        self._process.terminate()
        try:
            self._process.wait(LEAVING_S)
        except subprocess.TimeoutExpired:
            self.give_up()
        self._close()

    def give_up(self) -> None:
        """End it at once."""
        self._process.kill()
        self._process.wait()
        self._close()

    def _close(self) -> None:
        self._lines.close()
        self._errors.close()

    def _callbacks(self) -> tuple[int, ...]:
        """Return how often each of the callbacks in use has been called."""
        words = [at.CALLBACKS] if self._whole[at.HAS_INPUT] else [at.CALLBACKS, at.INPUT_CALLBACKS]
        return tuple(int(self._whole[word]) for word in words)

    def _listen(self) -> None:
        """Read what it said."""
        if self._lines.closed:
            return
        self._text += self._lines.read() or b""
        *lines, self._text = self._text.split(b"\n")
        for line in lines:
            said = json.loads(line)
            if "opened" in said:
                self.opened = Opened(**said["opened"])
                self._counts = self._begun = self._callbacks()
                self._seen_s = time.monotonic()
            else:
                self.refused = said.get("is_refusal", False)
                self._said = said["trouble"]

    def _why_ended(self, status: int) -> str:
        if self._said:
            return self._said
        if self._errors.closed:
            return "the audio process has ended"
        self._errors.seek(0)
        lines = self._errors.read().decode(errors="replace").strip().splitlines() or ["no word"]
        return f"the audio process ended with status {status}: {lines[-1]}"


def copy_of(plan: Plan, opened: Opened) -> Plan:
    """Return the plan with the devices' own names, which stay when others come and go."""
    return replace(
        plan,
        input=opened.input,
        output=opened.output,
        monitor=opened.monitor or None,
    )
