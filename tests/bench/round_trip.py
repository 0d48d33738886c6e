"""How long sound takes through a live session, from cable to cable.

Usage, from the top of the repository::

    python -m tests.bench.round_trip [--block 256]

One PortAudio stream plays noise into a cable and records at once: first the same cable, then the
far end of a live session.  The difference is what the session adds: chain, buffers and server.
"""

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from scipy import signal

from tests.audio_server import JackServer, PulseServer, Server

RATE_HZ = 48_000
LENGTH_S, LONGEST_S = 6.0, 1.0
TIMES = 3
PLAY = """
import sys, numpy as np, sounddevice as sd
sent = np.load(sys.argv[1])
heard = sd.playrec(sent, 48000, device=(sys.argv[3], sys.argv[2]), channels=2, blocking=True,
                   latency=float(sys.argv[5]))
np.save(sys.argv[4], heard[:, 0])
"""
SERVERS: dict[str, tuple[type[Server], tuple[str, str, str, str]]] = {
    "JACK": (JackServer, ("cable_a", "cable_a", "cable_b", "cable_b")),
    "PulseAudio": (PulseServer, ("cable_a_out", "cable_a_mon", "cable_b_out", "cable_b_mon")),
}


def delay_ms(server: Server, output: str, input_: str, folder: Path) -> float:
    """Play noise into one device and find it in another."""
    noise = np.random.default_rng(1).normal(0.0, 0.02, round(LENGTH_S * RATE_HZ))
    noise = signal.sosfilt(
        signal.butter(4, [300, 3000], "bandpass", fs=RATE_HZ, output="sos"), noise
    )
    np.save(folder / "sent.npy", np.column_stack((noise, noise)).astype(np.float32))
    arguments = [str(folder / "sent.npy"), output, input_, str(folder / "heard.npy"), "0.05"]
    subprocess.run(
        [sys.executable, "-c", PLAY, *arguments], env=server.environment, check=True, timeout=60
    )
    heard = np.load(folder / "heard.npy")
    middle = noise[RATE_HZ : 4 * RATE_HZ]
    match = signal.correlate(heard[RATE_HZ:].astype(float), middle, "valid", "fft")
    return 1000.0 * float(np.argmax(np.abs(match[: round(LONGEST_S * RATE_HZ)]))) / RATE_HZ


@contextmanager
def live(server: Server, input_: str, output: str, extra: list[str]) -> Iterator[dict[str, Any]]:
    """Run a session with nothing but the limiter; yield its first line with sound."""
    arguments = [
        sys.executable, "-m", "carrierfloor.cli", "live", "--plain", "--heard", "bypass", "--rig",
        "dc-coupled", "--input", input_, "--output", output, "--one-clock", *extra,
    ]  # fmt: skip
    process = subprocess.Popen(
        arguments, env=server.environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    try:
        for text in process.stdout:
            line = json.loads(text)
            if line["state"] == "on":
                yield line
                return
    finally:
        process.terminate()
        process.communicate()


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--block", default="256")
    parser.add_argument("--latency", default="50")
    arguments = parser.parse_args()
    extra = ["--block", arguments.block, "--latency", arguments.latency]
    for name, (kind, (to, back, out, end)) in SERVERS.items():
        with kind() as server, tempfile.TemporaryDirectory() as folder:
            at = Path(folder)
            alone = [delay_ms(server, to, back, at) for _ in range(TIMES)]
            with live(server, back, out, extra) as line:
                whole = [delay_ms(server, to, end, at) for _ in range(TIMES)]
        adds = np.median(whole) - np.median(alone)
        chain, buffers = line["chain_latency_ms"], line["buffers_latency_ms"]
        print(f"{name}, blocks of {arguments.block} frames")
        print(f"  cable alone    {', '.join(f'{ms:.2f}' for ms in alone)} ms")
        print(f"  with session   {', '.join(f'{ms:.2f}' for ms in whole)} ms")
        print(f"  session adds   {adds:.2f} ms: chain {chain:.2f}, buffers {buffers:.2f},", end=" ")
        print(
            f"server {adds - chain - buffers:.2f} (PortAudio believes {line['server_latency_ms']})"
        )


if __name__ == "__main__":
    main()
