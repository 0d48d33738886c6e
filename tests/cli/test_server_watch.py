"""A real PulseAudio moves the streams of a real process, and the watch tells."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from carrierfloor.cli.server_watch import FINDING_S, GRACE_S, ServerWatch
from tests.audio_server import PulseServer, running, wait_for

pytestmark = pytest.mark.device

NOTICED_S = 2.0  # patience on a busy machine; a quiet one takes some hundredths
THROUGH = """
import signal, sys, time
import sounddevice as sd

signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGUSR1})

def through(heard, sent, frames, when, status):
    sent[:] = heard

how = {"samplerate": 48_000, "channels": 2, "latency": 0.05, "callback": through}
with sd.Stream(device=sys.argv[1:], **how) as stream:
    print("open", flush=True)
    while signal.sigwait({signal.SIGUSR1}):  # as ALSA's plug-in does when it ran dry
        stream.abort()
        stream.start()
"""
WATCH = """
import sys, time
from carrierfloor.cli.server_watch import ServerWatch

watch = ServerWatch(int(sys.argv[1]))
while not watch.is_watching:
    time.sleep(0.01)
print("watching", flush=True)
time.sleep(1000.0)
"""


@pytest.fixture
def server(monkeypatch: pytest.MonkeyPatch) -> Iterator[PulseServer]:
    """A server that is this process's own too."""
    with PulseServer() as server:
        monkeypatch.setenv("PULSE_SERVER", server.environment["PULSE_SERVER"])
        yield server


@contextmanager
def program(
    server: PulseServer, script: str, *arguments: object
) -> Iterator[subprocess.Popen[bytes]]:
    """Run a script until the block ends; begin the block when it has said its first word."""
    log = server.folder / "program.log"
    line = [sys.executable, "-c", script, *map(str, arguments)]
    with running(line, server.environment, log) as process:
        wait_for(lambda: log.stat().st_size > 0, "the program")
        assert process.poll() is None, log.read_text()
        yield process


@contextmanager
def watching(process_id: int) -> Iterator[ServerWatch]:
    watch = ServerWatch(process_id)
    try:
        wait_for(lambda: watch.is_watching, "the watch", FINDING_S)
        assert watch.moved() is None
        yield watch
    finally:
        watch.close()


def subscribers(server: PulseServer) -> list[int]:
    """Return the numbers of all processes that listen to this server's events."""
    ours = server.environment["PULSE_SERVER"].encode()
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0")
            if b"subscribe" in words and ours in (folder / "environ").read_bytes():
                found.append(int(folder.name))
        except OSError:
            continue  # it has just ended
    return found


def notice(watch: ServerWatch) -> str:
    """Wait for what it has to say."""
    wait_for(lambda: watch.moved() is not None, "the notice", NOTICED_S + GRACE_S)
    return str(watch.moved())


def test_a_source_that_disappears(server: PulseServer) -> None:
    """The microphone would be the monitor of our own output."""
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        server.unload("cable_a")
        assert notice(watch) == (
            "the sound server moved the microphone from cable_a.monitor to cable_b.monitor"
        )
        assert watch.moved() == notice(watch)  # again, until it is closed
    assert subscribers(server) == []


def test_a_sink_that_disappears(server: PulseServer) -> None:
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        server.unload("cable_b")
        assert notice(watch) in (
            "the sound server moved the output from cable_b to cable_a",
            # PortAudio may give it up so soon after that nobody saw it elsewhere.
            "cable_b, where the output was, is gone from the sound server",
        )


def test_nowhere_to_move_to(server: PulseServer) -> None:
    server.unload("cable_a")
    with (
        program(server, THROUGH, "cable_b_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        server.unload("cable_b")
        assert notice(watch) in (
            "cable_b.monitor, where the microphone was, is gone from the sound server",
            "cable_b, where the output was, is gone from the sound server",
        )


def test_a_stream_that_ends(server: PulseServer) -> None:
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        process.kill()
        assert notice(watch) in (
            "the sound server closed the microphone on cable_a.monitor",
            "the sound server closed the output on cable_b",
        )


def test_a_person_moves_a_stream(server: PulseServer) -> None:
    """With a mixer's window, say."""
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        streams = subprocess.check_output(["pactl", "list", "short", "sink-inputs"], text=True)
        subprocess.run(["pactl", "move-sink-input", streams.split()[0], "cable_a"], check=True)
        assert notice(watch) == "the sound server moved the output from cable_b to cable_a"


def test_nothing_is_said_of_others_nor_of_a_stream_made_anew(server: PulseServer) -> None:
    def streams() -> set[str]:
        return set(
            subprocess.check_output(["pactl", "list", "short", "sink-inputs"], text=True).split()[
                :1
            ]
        )

    silence = np.zeros(4800, np.float32)
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        before = streams()
        process.send_signal(signal.SIGUSR1)
        wait_for(lambda: streams() not in (before, set()), "a stream made anew")
        with server.talker("cable_b", silence), server.recording("cable_a"):
            time.sleep(2 * GRACE_S)
        assert watch.moved() is None
        assert watch.is_watching


def test_a_process_that_uses_no_server(server: PulseServer) -> None:
    begun_s = time.monotonic()
    watch = ServerWatch(os.getpid())
    wait_for(lambda: len(subscribers(server)) > 0, "pactl")
    wait_for(lambda: subscribers(server) == [], "its end", FINDING_S + NOTICED_S)
    assert time.monotonic() - begun_s > FINDING_S
    assert (watch.moved(), watch.is_watching) == (None, False)
    watch.close()


def test_no_server(server: PulseServer) -> None:
    """One that goes away is somebody else's to notice: all sound stops."""
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        server.process.kill()
        wait_for(lambda: not watch.is_watching, "the end of the watch")
        assert watch.moved() is None
        again = ServerWatch(process.pid)
        time.sleep(0.5)
        assert (again.moved(), again.is_watching) == (None, False)
        again.close()


def test_no_pactl(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    watch = ServerWatch(os.getpid())
    assert (watch.moved(), watch.is_watching) == (None, False)
    watch.close()


def test_a_frozen_server_holds_nothing_up(server: PulseServer) -> None:
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        watching(process.pid) as watch,
    ):
        server.process.send_signal(signal.SIGSTOP)
        begun_s = time.monotonic()
        assert watch.moved() is None
        watch.close()
        assert time.monotonic() - begun_s < 1.0
        server.process.send_signal(signal.SIGCONT)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_nothing_outlives_a_watch_that_is_killed(
    number: signal.Signals, server: PulseServer
) -> None:
    with (
        program(server, THROUGH, "cable_a_mon", "cable_b_out") as process,
        program(server, WATCH, process.pid) as watcher,
    ):
        assert len(subscribers(server)) == 1
        watcher.send_signal(number)
        watcher.wait()
        wait_for(lambda: subscribers(server) == [], "the end of pactl", NOTICED_S)
