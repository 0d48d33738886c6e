"""How fast ``check`` is on one core, and how much memory it takes, by sample rate and length.

Usage, from the top of the repository::

    python -m tests.bench.check_speed [--seconds 30] [--longer 3]

Each file is IQ of 16 bits: one second of a modulated carrier with noise, again and again.  The
whole command counts, reading and report included, in a process of its own; a second run of a file
several times as long tells what is the cost of starting, and whether memory grows.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

RATES_HZ = (48_000, 250_000, 1_024_000, 2_400_000, 3_000_000)
OFFSET_HZ, TONE_HZ = 3000, 400
THREADS = {f"{name}_NUM_THREADS": "1" for name in ("OMP", "OPENBLAS", "NUMBA", "MKL")}


def write(file: Path, rate_hz: int, seconds: int) -> None:
    """Write a recording: half a second of every second is modulated by 90 %."""
    t = np.arange(rate_hz) / rate_hz
    random = np.random.default_rng(1)
    envelope = 1.0 + 0.9 * (t > 0.5) * np.sin(2 * np.pi * TONE_HZ * t)
    signal = 0.2 * envelope * np.exp(2j * np.pi * OFFSET_HZ * t)
    signal += 1e-3 * (random.normal(size=rate_hz) + 1j * random.normal(size=rate_hz))
    second = np.rint(np.column_stack([signal.real, signal.imag]) * 32_767.0).astype("<i2").tobytes()
    with file.open("wb") as out:
        for _ in range(seconds):
            out.write(second)


def run(file: Path, rate_hz: int) -> tuple[float, float, float]:
    """Return CPU seconds, seconds on the clock and megabytes of one run."""
    command = [sys.executable, "-m", "carrierfloor.cli", "check", str(file), "--kind", "iq"]
    command += ["--format", "s16", "--rate", str(rate_hz)]
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, env={**os.environ, **THREADS})
    _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"check failed on {file}")
    clock_s = time.perf_counter() - began
    return usage.ru_utime + usage.ru_stime, clock_s, usage.ru_maxrss / 1024.0


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="speed of check")
    parser.add_argument("--seconds", type=int, default=30)
    parser.add_argument("--longer", type=int, default=3, help="times as long is the second file")
    options = parser.parse_args()
    print("rate (kS/s)  length (s)  CPU (s)  times real time  without start  ns/sample  MB")
    with tempfile.TemporaryDirectory() as folder:
        for rate_hz in RATES_HZ:
            file = Path(folder) / "recording.iq"
            write(file, rate_hz, 3)
            run(file, rate_hz)  # compiles what is not compiled yet
            rows = []
            for seconds in (options.seconds, options.longer * options.seconds):
                write(file, rate_hz, seconds)
                rows.append((seconds, *run(file, rate_hz)))
            (short, short_s, _, _), (long, long_s, _, _) = rows
            part = (long - short) / (long_s - short_s)
            for seconds, cpu_s, _, megabytes in rows:
                print(
                    f"{rate_hz / 1000:11.0f}  {seconds:10d}  {cpu_s:7.2f}  {seconds / cpu_s:15.1f}"
                    f"  {part:13.1f}  {1e9 / part / rate_hz:9.1f}  {megabytes:3.0f}",
                    flush=True,
                )


if __name__ == "__main__":
    main()
