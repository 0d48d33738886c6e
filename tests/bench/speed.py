"""How fast the default chain runs on one core, beside general-purpose tools in the same run.

Usage, from the top of the repository::

    python -m tests.bench.speed [--minutes 10]

CPU time, warm, cases interleaved, median of several rounds.  The peers do far less work: six
second-order sections of scipy; a pedalboard chain of first-order filters, a compressor and its
brick-wall limiter with true peak (``pip install -e ".[bench]"``).  Then a long stream, for the
memory it takes.
"""

import argparse
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from scipy import signal

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from tests import clips

RATE_HZ = 48_000
BLOCKS = (64, 128, 256, 1024, 4096, 16_384)
LENGTH_S = 20
ROUNDS = 5

Process = Callable[[clips.Array], object]


def our_chain() -> Process:
    """Return the whole default chain."""
    return Chain(presets.voice(), presets.rig()).process


def sections() -> Process:
    """Return six second-order sections of scipy, streamed."""
    sos = signal.butter(6, [100, 5000], "bandpass", fs=RATE_HZ, output="sos")
    state = np.zeros((len(sos), 2))

    def process(block: clips.Array) -> object:
        nonlocal state
        out, state = signal.sosfilt(sos, block, zi=state)
        return out

    return process


def pedalboard_chain() -> Process:
    """Return a pedalboard chain, streamed."""
    import pedalboard

    board = pedalboard.Pedalboard(
        [
            pedalboard.HighpassFilter(90),
            pedalboard.HighShelfFilter(2000, 6),
            pedalboard.Compressor(-20, 4),
            pedalboard.LowpassFilter(4000),
            pedalboard.BrickwallLimiter(ceiling_db=-0.5, true_peak=True),
        ]
    )
    return lambda block: board.process(block, RATE_HZ, reset=False)


def speech() -> clips.Array:
    """Return enough speech, cut from the clips."""
    every = np.concatenate([clips.sound(name) for name in clips.SPOKEN])
    return np.resize(every, LENGTH_S * RATE_HZ)


def cpu_s(process: Process, samples: clips.Array, block: int) -> float:
    """Return the CPU time for all samples, block by block."""
    blocks = [samples[at : at + block] for at in range(0, len(samples) - block + 1, block)]
    process(blocks[0])
    before = time.process_time()
    for one in blocks:
        process(one)
    return (time.process_time() - before) * len(samples) / (len(blocks) * block)


def resident_mb() -> float:
    """Return the memory this process holds (Linux)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def compare() -> None:
    """Print the table of speeds."""
    samples = speech()
    cases: dict[str, tuple[Process, clips.Array]] = {
        "carrierfloor": (our_chain(), samples),
        "scipy, 6 sections": (sections(), samples),
    }
    try:
        cases["pedalboard chain"] = (pedalboard_chain(), samples.astype(np.float32))
    except ImportError:
        print('pedalboard is skipped: pip install -e ".[bench]"')
    print(f"{LENGTH_S} s of speech, one core, median of {ROUNDS}: times real time (us a block)")
    print(f"{'block':>7s}" + "".join(f"{name:>26s}" for name in cases) + "   ours over each")
    for block in BLOCKS:
        seconds: dict[str, list[float]] = {name: [] for name in cases}
        for _ in range(ROUNDS):
            for name, (process, audio) in cases.items():
                seconds[name].append(cpu_s(process, audio, block))
        medians = {name: statistics.median(times) for name, times in seconds.items()}
        cells = [
            f"{LENGTH_S / s:13.0f} x ({1e6 * s / LENGTH_S / RATE_HZ * block:7.1f})"
            for s in medians.values()
        ]
        ratios = [f"{s / medians['carrierfloor']:.2f}" for s in medians.values()][1:]
        print(f"{block:7d}" + "".join(f"{cell:>26s}" for cell in cells) + "   " + ", ".join(ratios))


def stream(minutes: float) -> None:
    """Run one chain for long and print what memory it takes at the start and at the end."""
    samples, block = clips.sound(next(iter(clips.SPOKEN))), 4096
    chain = Chain(presets.voice(), presets.rig())
    marks = []
    for at in range(int(minutes * 60 * RATE_HZ / block)):
        start = at * block % (len(samples) - block)
        chain.process(samples[start : start + block])
        if at % 100 == 99:
            marks.append(resident_mb())
    print(
        f"{minutes:g} minutes streamed: {marks[0]:.1f} MB after 10 s, {marks[-1]:.1f} MB at the end"
    )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Measure speed and memory.")
    parser.add_argument("--minutes", type=float, default=10.0, help="length of the long stream")
    parser.add_argument("--stream-only", action="store_true", help="only the long stream")
    options = parser.parse_args()
    if options.stream_only:
        stream(options.minutes)
        return
    compare()
    again = [sys.executable, "-m", "tests.bench.speed", "--stream-only"]  # without the peers
    subprocess.run([*again, "--minutes", str(options.minutes)], check=True)


if __name__ == "__main__":
    main()
