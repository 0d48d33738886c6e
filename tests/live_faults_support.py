"""A live session under observation: who speaks, who listens, and when what happened."""

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from tests import clips
from tests.audio_server import RATE_HZ, Floats, PulseServer, Recording, Server, running, wait_for
from tests.live_heard import Outcome

FIRST_START_S = 240.0  # patience: the first start may compile
SPOKEN_S = 2.5  # before the fault, the silence ahead of the sound included
FED, LATE_S = 128, 0.2
HELD_BACK_S = 2  # how long a signal USR1 holds the interpreter's lock
# Any Python program with this in its path can be held up: nothing else of it runs meanwhile.
HOLDS = f"""
import ctypes, os, signal
libc = ctypes.PyDLL(None)  # unlike CDLL, it keeps the interpreter's lock

def hold(number, frame):
    libc.sleep({HELD_BACK_S})
    open(f"{{os.path.dirname(__file__)}}/held-{{os.getpid()}}", "w").close()

signal.signal(signal.SIGUSR1, hold)
"""


def speech(seconds: float) -> Floats:
    """Return loud speech without a pause of zeros; no two places of it are alike."""
    names = ("M2_harvard_phrases", "F1_harvard_phrases", "calm_then_shout_male")
    spoken = np.concatenate([clips.sound(name) for name in names])
    count = round(seconds * RATE_HZ)
    noise = np.random.default_rng(1).normal(0.0, 1e-3, count)
    loud = np.resize(spoken, count) * (0.9 / np.abs(spoken).max()) + noise
    return np.asarray(np.clip(loud, -1.0, 1.0), dtype=np.float32)


@dataclass
class Moment:
    """When something was done: by the clock, and in what was recorded until then."""

    at_s: float
    heard: int


@dataclass
class Live:
    """A running session."""

    server: Server
    process: subprocess.Popen[bytes]
    folder: Path
    recordings: list[Recording] = field(default_factory=list)
    listening: ExitStack = field(default_factory=ExitStack)
    talker: Any = None
    outcome: Outcome = field(init=False)

    @property
    def rows(self) -> list[dict[str, Any]]:
        """The log so far: a row a second and one for each event."""
        file = self.folder / "log.jsonl"
        lines = file.read_text("utf-8").split("\n") if file.exists() else []
        return [json.loads(line) for line in lines[:-1]]

    @property
    def output(self) -> str:
        """What it has printed."""
        return (self.folder / "live.log").read_text("utf-8")

    @property
    def audio_process_id(self) -> int:
        """The process that owns the devices."""
        for folder in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                words = (folder / "cmdline").read_bytes().split(b"\0")
                parent = (folder / "stat").read_text().rpartition(")")[2].split()[1]
                if b"carrierfloor.cli.live_child" in words and int(parent) == self.process.pid:
                    return int(folder.name)
        raise AssertionError("there is no audio process")

    def moment(self) -> Moment:
        """Note the time."""
        return Moment(time.time(), len(self.recordings[-1].samples))

    def wait_for_state(self, state: str, since: Moment | None, patience_s: float) -> float:
        """Wait until a state is entered; return when, by the clock."""

        def entered() -> list[float]:
            return [
                datetime.fromisoformat(row["time"]).timestamp()
                for row in self.rows
                if row["event"] == "state" and row["detail"].split(":")[0] == state
            ]

        def later() -> list[float]:
            return [at_s for at_s in entered() if since is None or at_s >= since.at_s - 0.001]

        def is_there() -> bool:
            assert self.process.poll() is None or later(), self.output
            return bool(later())

        wait_for(is_there, f"state {state}", patience_s)
        return later()[0]

    def hold_back(self, process_id: int) -> None:
        """Let the interpreter of a process do nothing for a while, and wait until it is over."""
        os.kill(process_id, signal.SIGUSR1)
        held = self.folder / f"held-{process_id}"
        wait_for(held.exists, "the interpreter", HELD_BACK_S + 5.0)

    def freeze(self, process_id: int, seconds: float) -> None:
        """Stop a process for a while."""
        os.kill(process_id, signal.SIGSTOP)
        time.sleep(seconds)
        with suppress(ProcessLookupError):  # it may have been given up
            os.kill(process_id, signal.SIGCONT)

    def listen(self) -> None:
        """Record what comes out of cable B from now on."""
        self.recordings.append(self.listening.enter_context(self.server.recording("cable_b")))

    def stop_listening(self) -> None:
        """End the listener."""
        self.listening.close()

    def collect(self) -> None:
        """Keep what has become of it all; once it has ended."""
        silence = np.zeros(RATE_HZ, np.float32)
        parts = [part for one in self.recordings for part in (one.samples[:, 0], silence)]
        raw, sent = sf.read(self.folder / "record.wav")[0].T
        self.outcome = Outcome(np.concatenate(parts).astype(float), raw, sent, self.rows)


@contextmanager
def live(server: Server, *options: str) -> Iterator[Live]:
    """Run ``carrierfloor live`` until the block ends."""
    number = len(list(server.folder.glob("live-*")))
    folder = server.folder / f"live-{number}"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(HOLDS)
    arguments = [
        sys.executable, "-m", "carrierfloor.cli", "live", "--plain", "--rig", "plate-modulated",
        "--record", str(folder / "record.wav"), "--log", str(folder / "log.jsonl"), *options,
    ]  # fmt: skip
    environment = {**server.environment, "PYTHONPATH": str(folder)}
    with running(arguments, environment, folder / "live.log") as process:
        yield Live(server, process, folder)


@contextmanager
def observed(
    server: Server,
    ends: tuple[str, str],
    sound: Floats | None,
    *options: str,
) -> Iterator[Live]:
    """Run a session from cable A to B with a talker and a listener; it is on the air.

    Behind the block its ``outcome`` is there.
    """
    with ExitStack() as stack:
        session = stack.enter_context(
            live(server, "--input", ends[0], "--output", ends[1], *options)
        )
        session.wait_for_state("on", None, FIRST_START_S)
        stack.enter_context(session.listening)
        session.listen()
        if sound is not None:
            session.talker = stack.enter_context(speaking(server, sound))
        time.sleep(SPOKEN_S)
        yield session
        if session.process.poll() is None:
            session.process.terminate()
            session.process.wait(20.0)
    session.collect()


@contextmanager
def speaking(server: Server, sound: Floats) -> Iterator[subprocess.Popen[bytes]]:
    """Play into cable A, whatever becomes of the server."""
    file = server.folder / f"sound-{time.monotonic_ns()}.raw"
    np.column_stack((sound, sound)).tofile(file)
    log = file.with_suffix(".log")
    with running(server._talking("cable_a", file), server.environment, log) as process:
        yield process


@contextmanager
def microphone(server: PulseServer) -> Iterator[Path]:
    """Give the server a source of its own, ``microphone``; yield the pipe that feeds it.

    Unlike the far end of a cable it takes no talker with it when it is pulled out.
    """
    with (server.folder / "asound.conf").open("a") as file:
        file.write("pcm.microphone { type pulse device microphone hint { show on } }\n")
    pipe = server.folder / "microphone"
    plug_in(server)
    yield pipe


def plug_in(server: PulseServer) -> None:
    """Plug the microphone in."""
    pipe = server.folder / "microphone"
    server.load_module(
        "module-pipe-source", "source_name=microphone", f"file={pipe}", "format=float32le",
        f"rate={RATE_HZ}", "channels=1",
    )  # fmt: skip


@contextmanager
def feeding(pipe: Path, sound: Floats, rate_hz: float = RATE_HZ) -> Iterator[None]:
    """Write mono samples into a pipe, over and over, at a rate that is a clock of its own."""
    ended = threading.Event()

    def feed() -> None:
        written, begun_s = 0, time.monotonic()
        with suppress(OSError), pipe.open("wb", buffering=0) as file:
            while not ended.is_set():
                early_s = begun_s + written / rate_hz - time.monotonic()
                time.sleep(max(0.0, early_s))
                if early_s < -LATE_S:  # nobody took it for a while
                    begun_s -= early_s
                begin = written % (len(sound) // FED * FED)
                file.write(sound[begin : begin + FED].tobytes())
                written += FED

    thread = threading.Thread(target=feed, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join(1.0)  # it may wait for a reader for ever
