"""A live session for minutes or hours on a virtual cable: gaps, load, memory.

Usage, from the top of the repository::

    python -m tests.bench.soak --minutes 60 --busy 1

Speech runs through PulseAudio, which keeps the time of the clock, into ``carrierfloor live`` and
on to a recorder.  At the end the output is worked out again from the recorded microphone and
compared with what was sent and with what arrived.  Other options, such as ``--one-clock``, go to
``live``.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import soundfile as sf

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.desk_stages import SENT_AS
from carrierfloor.dsp.stage import HOP
from tests import clips
from tests.audio_server import PulseServer, running

RATE_HZ = 48_000
BLOCK = 10 * RATE_HZ
FADES = 2 * RATE_HZ  # at the end the fader goes down
EXACT = 2.0**-22  # rounding to 24 bit and to 32-bit floats
Lines = list[dict[str, Any]]


@contextmanager
def talking(server: PulseServer, cable: str) -> Iterator[None]:
    """Play all clips in turn into a cable, for ever."""
    names = sorted(clips.SPOKEN)
    speech = np.concatenate([clips.sound(name) for name in names]).astype(np.float32)
    arguments = [
        "pacat", "--raw", "--format=float32le", f"--rate={RATE_HZ}", "--channels=1",
        "--latency-msec=100", f"--device={cable}",
    ]  # fmt: skip
    process = subprocess.Popen(arguments, env=server.environment, stdin=subprocess.PIPE)
    assert process.stdin is not None

    def feed(pipe: Any) -> None:
        try:
            while True:
                pipe.write(speech.tobytes())
        except (BrokenPipeError, ValueError):
            pass

    threading.Thread(target=feed, args=(process.stdin,), daemon=True).start()
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def run_live(
    server: PulseServer, folder: Path, seconds: float, extra: list[str]
) -> tuple[Lines, Any]:
    """Run the command to its end; return its lines, and the memory of its processes over time."""
    arguments = [
        sys.executable, "-m", "carrierfloor.cli", "live", "--plain", "--input", "cable_a_mon",
        "--output", "cable_b_out", "--for", str(seconds),
        "--record", str(folder / "live.wav"), *extra,
    ]  # fmt: skip
    memory = []
    lines: Lines = []
    process = subprocess.Popen(arguments, env=server.environment, stdout=subprocess.PIPE)
    assert process.stdout is not None
    for text in process.stdout:
        lines.append(json.loads(text))
        memory.append((lines[-1]["elapsed_s"], resident_mb(process.pid)))
    assert process.wait() == 0
    return lines, memory


def resident_mb(parent: int) -> tuple[float, ...]:
    """Return the resident memory of a process and its children, in MB."""
    children = Path(f"/proc/{parent}/task/{parent}/children").read_text().split()
    found = []
    for pid in [str(parent), *children]:
        status = Path(f"/proc/{pid}/status")
        if status.exists() and "VmRSS:" in (text := status.read_text()):
            found.append(float(text.split("VmRSS:")[1].split()[0]) / 1024)
    return tuple(found)


def compare(folder: Path, heard: Path) -> None:
    """Print how what was sent and what arrived compare with the chain on the microphone."""
    chain = Chain(presets.voice(), presets.rig(), sample_step=SENT_AS.largest_error)
    arrived = np.memmap(heard, np.float32, "r")[::2]
    at, sent_off, holes = -1, 0, 0
    frames, last_hop = 0, np.zeros(HOP)
    end = sf.info(folder / "live.wav").frames - FADES
    for block in sf.blocks(folder / "live.wav", BLOCK, stop=end):
        raw, sent = block.T
        expected = chain.process(raw)
        if frames:  # the first block holds the fader's ramp
            late = np.concatenate((last_hop, sent[:-HOP]))  # the chain has a queue of a hop
            sent_off += int(np.count_nonzero(np.abs(late - expected) > EXACT))
            at, missing = follow(arrived, sent, at)
            holes += missing
        frames, last_hop = frames + len(raw), sent[-HOP:]
    print(f"compared         {frames / RATE_HZ:.0f} s")
    print(f"sent             {sent_off} samples differ from the chain on the recorded microphone")
    print(f"arrived          {holes} of {frames - BLOCK} samples not as sent")


def follow(arrived: Any, sent: clips.Array, at: int) -> tuple[int, int]:
    """Find a block of what was sent in what arrived; return where the next begins, and misses."""
    for start in ([at] if at >= 0 else []) + find(arrived, sent):
        piece = arrived[start : start + len(sent)]
        if len(piece) == len(sent):
            missing = int(np.count_nonzero(np.abs(piece - sent) > EXACT))
            if missing < len(sent) // 2:
                return start + len(sent), missing
    return -1, len(sent)


def find(arrived: Any, sent: clips.Array) -> list[int]:
    """Find where a block begins, by its loudest tenth of a second."""
    loudest = int(np.argmax(np.abs(sent[: -RATE_HZ // 10])))
    pattern = sent[loudest : loudest + 64].astype(np.float32)
    places = np.flatnonzero(np.abs(arrived - pattern[0]) < EXACT)
    return [
        int(place) - loudest
        for place in places
        if place >= loudest and np.abs(arrived[place : place + 64] - pattern).max() < EXACT
    ][:1]


def report(lines: Lines, memory: Any) -> None:
    """Print gaps, load and memory."""
    last = lines[-1]
    on = [line for line in lines if line["state"] == "on"]
    print(f"sound after      {on[0]['elapsed_s']:.1f} s, then {len(on)} s")
    print(f"xruns            {last['input_overflows']} in, {last['output_underflows']} out")
    print(f"cuts, restarts   {last['cuts']}, {last['restarts']}")
    for name in ("median", "p99", "max"):
        loads = [line[f"load_{name}_pct"] for line in on]
        print(
            f"load {name:<12}{np.median(loads):.1f} % (median second), {max(loads):.1f} % (worst)"
        )
    first = next(sizes for elapsed_s, sizes in memory if elapsed_s > on[0]["elapsed_s"] + 60)
    print(f"memory           {', '.join(f'{mb:.1f}' for mb in first)} MB after a minute")
    print(f"                 {', '.join(f'{mb:.1f}' for mb in memory[-2][1])} MB at the end")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--busy", type=int, default=0, help="processes that do nothing but count")
    arguments, extra = parser.parse_known_args()
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        server = stack.enter_context(PulseServer())
        for number in range(arguments.busy):
            busy = [sys.executable, "-c", "while True: pass"]
            stack.enter_context(running(busy, server.environment, folder / f"busy-{number}"))
        stack.enter_context(talking(server, "cable_a"))
        with server.recording("cable_b") as recording:
            begun_s = time.monotonic()
            lines, memory = run_live(server, folder, 60.0 * arguments.minutes, extra)
            print(f"ran              {time.monotonic() - begun_s:.0f} s, {arguments.busy} busy")
        report(lines, memory)
        compare(folder, recording.file)


if __name__ == "__main__":
    main()
