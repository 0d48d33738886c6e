"""How long sound takes through a live session, from its input to its output.

Usage, from the top of the repository::

    python -m tests.bench.round_trip [--block 256] [--latency 50]

What is played into the session and what comes out of it are recorded side by side on one clock:
on JACK by a stream that plays and records, less what it takes through a cable alone; on PulseAudio
on two channels of one sink.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

from tests.audio_server import JackServer, PulseServer, Server, running

RATE_HZ = 48_000
PIECE = RATE_HZ // 20  # so short that two clocks do not drift apart in it
TIMES = 5
PLAY = """
import sys, numpy as np, sounddevice as sd
sent = np.load(sys.argv[1])
heard = sd.playrec(sent, 48000, device=(sys.argv[2], sys.argv[3]), channels=2, blocking=True)
np.save(sys.argv[4], heard[:, 0])
"""
MAP = "front-left,front-right,rear-left,rear-right"


def noise(seconds: float) -> Any:
    """Return quiet noise in the band of speech."""
    white = np.random.default_rng(1).normal(0.0, 0.02, round(seconds * RATE_HZ))
    band = signal.butter(4, [300, 3000], "bandpass", fs=RATE_HZ, output="sos")
    return signal.sosfilt(band, white)


def delay_ms(sent: Any, heard: Any) -> float:
    """Find the beginning of what was sent in what was heard; no number if it is not there."""
    pattern = sent[:PIECE]
    match = np.abs(signal.correlate(heard.astype(float), pattern, "valid", "fft"))
    at = int(np.argmax(match))
    found = heard[at : at + PIECE].astype(float)
    if match[at] < 0.9 * np.linalg.norm(pattern) * np.linalg.norm(found):
        return float("nan")
    return 1000.0 * at / RATE_HZ


@contextmanager
def live(server: Server, *options: str) -> Iterator[dict[str, Any]]:
    """Run a session with nothing but the limiter; yield a line of it, once sound has settled."""
    arguments = [
        sys.executable, "-m", "carrierfloor.cli", "live", "--plain", "--heard", "bypass", "--rig",
        "dc-coupled", *options,
    ]  # fmt: skip
    log = server.folder / "live.log"
    with running(arguments, server.environment, log):
        while '"on"' not in (text := log.read_text()):
            time.sleep(0.2)
        time.sleep(3.0)
        lines = [line for line in text.splitlines() if '"on"' in line]
        yield json.loads(lines[-1])


def on_jack(options: list[str]) -> tuple[list[float], dict[str, Any]]:
    """Measure on JACK, where nothing is late by itself."""
    with JackServer() as server, tempfile.TemporaryDirectory() as name:
        sent, folder = noise(2.0), Path(name)
        np.save(folder / "sent.npy", np.column_stack((sent, sent)).astype(np.float32))

        def once(far_end: str) -> float:
            arguments = [str(folder / "sent.npy"), far_end, "cable_a", str(folder / "heard.npy")]
            play = [sys.executable, "-c", PLAY, *arguments]
            subprocess.run(play, env=server.environment, check=True, timeout=60)
            return delay_ms(sent[RATE_HZ // 2 :], np.load(folder / "heard.npy")[RATE_HZ // 2 :])

        alone_ms = once("cable_a")
        with live(server, "--input", "cable_a", "--output", "cable_b", *options) as line:
            return [once("cable_b") - alone_ms for _ in range(TIMES)], line


def on_pulse(options: list[str]) -> tuple[list[float], dict[str, Any]]:
    """Measure on PulseAudio: one sink has what is played first and what comes out last."""
    with PulseServer() as server:
        sink = "module-null-sink sink_name=both channels=4 format=float32le rate=48000"
        server._pactl("load-module", *sink.split(), f"channel_map={MAP}")
        server.environment |= {"PULSE_SINK": "both", "PULSE_SOURCE": "both.monitor"}
        raw = [
            "--raw",
            "--format=float32le",
            "--rate=48000",
            "--channels=4",
            f"--channel-map={MAP}",
        ]
        sent = np.zeros((60 * RATE_HZ, 4), np.float32)
        sent[:, 0] = noise(60.0)
        (server.folder / "sent.raw").write_bytes(sent.tobytes())
        play = ["pacat", *raw, "--device=both", str(server.folder / "sent.raw")]
        record = ["parec", *raw, "--device=both.monitor", str(server.folder / "heard.raw")]
        ends = ["--input", "pulse", "--input-channel", "left", "--output", "default"]
        with (
            live(server, *ends, "--channel", "4", *options) as line,
            running(record, server.environment, server.folder / "parec.log"),
            running(play, server.environment, server.folder / "pacat.log"),
        ):
            time.sleep(4.0 + 2.0 * TIMES)
        heard = np.fromfile(server.folder / "heard.raw", np.float32)
        heard = heard[: len(heard) // 4 * 4].reshape(-1, 4)
        found = []
        for n in range(TIMES):
            begin = (3 + 2 * n) * RATE_HZ
            here = heard[begin : begin + 2 * RATE_HZ]
            found.append(delay_ms(here[:PIECE, 0].astype(float), here[:, 3]))
        return found, line


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--block", default="256")
    parser.add_argument("--latency", default="50")
    arguments = parser.parse_args()
    options = ["--block", arguments.block, "--latency", arguments.latency]
    rows = {
        "JACK": on_jack(options),
        "PulseAudio": on_pulse(options),
        "PulseAudio, --one-clock": on_pulse([*options, "--one-clock"]),
    }
    for name, (delays_ms, line) in rows.items():
        chain_ms, buffers_ms = line["chain_latency_ms"], line["buffers_latency_ms"]
        rest_ms = np.nanmedian(delays_ms) - chain_ms - buffers_ms
        print(f"{name}: {', '.join(f'{ms:.2f}' for ms in delays_ms)} ms")
        print(
            f"    chain {chain_ms:.2f}, buffers {buffers_ms:.2f}, the rest {rest_ms:.2f} ms", end=""
        )
        print(f" (PortAudio believes {line['server_latency_ms']})")


if __name__ == "__main__":
    main()
