"""``carrierfloor live --plain`` on a server, as a program of its own: what it says, how it ends."""

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.audio_server import Server, running, wait_for

FIRST_START_S = 240.0  # patience: the first start may compile
ENDING_S = 15.0
Line = dict[str, Any]


@dataclass
class LiveCommand:
    """A running session."""

    process: subprocess.Popen[bytes]
    log: Path

    @property
    def text(self) -> str:
        """All that it has printed."""
        return self.log.read_text("utf-8")

    @property
    def lines(self) -> list[Line]:
        """The lines of JSON so far."""
        whole = self.text.split("\n")[:-1]
        return [json.loads(line) for line in whole if line.startswith("{")]

    @property
    def words(self) -> list[str]:
        """The other lines so far."""
        return [line for line in self.text.split("\n")[:-1] if not line.startswith("{")]

    def wait_for(
        self, is_so: Callable[[Line], bool], what: str, patience_s: float = FIRST_START_S
    ) -> None:
        """Wait for a line of JSON, of those to come, of which something is so."""
        past = len(self.lines)

        def is_there() -> bool:
            assert self.process.poll() is None, self.text
            return any(is_so(line) for line in self.lines[past:])

        wait_for(is_there, what, patience_s)

    def wait_for_sound(self) -> None:
        """Wait until the session is on the air."""
        self.wait_for(lambda line: bool(line["state"] == "on"), "state on")

    def wait_for_recorded(self, seconds: float) -> None:
        """Wait until the recording has become so much longer."""
        begun_s = self.lines[-1]["recorded_s"]
        self.wait_for(
            lambda line: bool(line["recorded_s"] > begun_s + seconds), "a recording", 20.0 + seconds
        )

    @property
    def audio_process_id(self) -> int:
        """The number of the process that owns the devices."""
        (found,) = [one for one in children(self.process.pid) if "live_child" in name_of(one)]
        return found

    def end(self, number: signal.Signals) -> int:
        """Send a signal; return the exit status."""
        self.process.send_signal(number)
        return self.process.wait(ENDING_S)


@contextmanager
def live(server: Server, ends: tuple[str, str], *options: object) -> Iterator[LiveCommand]:
    """Run a session between two devices until the block ends."""
    log = server.folder / f"live-{len(list(server.folder.glob('live-*.log')))}.log"
    with running(command(*ends, "--plain", *options), server.environment, log) as process:
        yield LiveCommand(process, log)


def command(source: str, sink: str, *options: object) -> list[str]:
    """Return a command line."""
    program = [sys.executable, "-m", "carrierfloor.cli", "live", "--input", source]
    return [*program, "--output", sink, *map(str, options)]


def children(process_id: int) -> list[int]:
    """Return the processes that a process has started and that are still there."""
    threads = Path(f"/proc/{process_id}/task").glob("*/children")
    return [int(word) for file in threads for word in file.read_text().split()]


def name_of(process_id: int) -> str:
    """Return the words that a process was started with."""
    return Path(f"/proc/{process_id}/cmdline").read_bytes().replace(b"\0", b" ").decode()


def is_there(process_id: int) -> bool:
    """Return whether a process runs; one that has ended and that nobody waits for does not."""
    try:
        state = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def memory_files() -> set[str]:
    """Return the names of shared memory that a session could have left, and not JACK."""
    return {name for name in os.listdir("/dev/shm") if not name.startswith("jack")}
