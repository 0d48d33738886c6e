"""How close the peak control comes to the best waveform there is.

Usage, from the top of the repository::

    python -m tests.bench.optimum [--drive DB] [--all]

The clipper, low-pass, sub-audio high-pass and limiter of the default voice, on a flat path, get a
driven voice.  The reference is that voice through the voice's low-pass alone, 1.0 = 100 %.  The
best signal is its projection onto the signals that hold both ceilings and have nothing beyond the
low-pass's stop edge: nothing the chain can put out is closer.  The projection is found with
R. L. Dykstra, "An algorithm for restricted least squares regression", J. Am. Statist. Assoc. 78
(1983), alternating between the band (by FFT) and the ceilings on a fine grid.

Figures: signal to distortion ratio, and loudness after ITU-R BS.1770 (pyebur128).
"""

import argparse
from dataclasses import dataclass

import numpy as np
from pyebur128 import MeasurementMode, R128State, get_loudness_global
from scipy import fft

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.voice import Voice
from tests import clips
from tests.bench.side_by_side import Bench
from tests.reference import antenna

RATE_HZ = 48_000
FINE = 2  # the grid for the ceilings is 96 kHz
PASSES = 400
PEAK_CONTROL = ("clipper", "low_pass", "sub_audio")
GOAL_DB = 1.5


@dataclass(frozen=True)
class Result:
    """The figures of one waveform."""

    sdr_db: float
    loudness_lufs: float
    trough: float
    crest: float


def project(wanted: clips.Array, stop_hz: float, negative: float, positive: float) -> clips.Array:
    """Return the closest signal that is band-limited and within both ceilings, at 48 kHz."""
    padded = np.pad(wanted, RATE_HZ // 10)
    size = 2 * fft.next_fast_len(len(padded) // 2 + 1, real=True)
    padded = np.pad(padded, (0, size - len(padded)))
    bins = fft.rfft(padded)
    last = int(stop_hz * size / RATE_HZ)
    fine = FINE * fft.irfft(bins[: last + 1], FINE * size)
    correction = np.zeros_like(fine)
    band = fine
    for _ in range(PASSES):
        moved = band + correction
        held = np.clip(moved, -negative, positive)
        correction = moved - held
        band = fft.irfft(fft.rfft(held)[: last + 1], FINE * size)
    begin = FINE * (RATE_HZ // 10)
    return np.asarray(band[begin : begin + FINE * len(wanted) : FINE])


def loudness_lufs(samples: clips.Array) -> float:
    """Return the integrated loudness."""
    state = R128State(1, RATE_HZ, MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples), len(samples))
    return float(get_loudness_global(state))


def judged(samples: clips.Array, reference: clips.Array) -> Result:
    """Compare one waveform with the reference."""
    error = float(np.sum((samples - reference) ** 2))
    peaks = antenna.judge(samples, RATE_HZ, 1.0, [], oversampling=8)
    return Result(
        sdr_db=float(10 * np.log10(np.sum(reference**2) / error)),
        loudness_lufs=loudness_lufs(samples),
        trough=peaks.trough,
        crest=peaks.crest,
    )


def compare(name: str, drive_db: float) -> tuple[Result, Result]:
    """Return our figures and those of the best waveform for one clip."""
    bench = Bench(presets.voice().with_drive(drive_db), presets.rig("dc-coupled"))
    rig = clips.rig()
    driven = bench.shaped(clips.sound(name))
    stages = tuple(stage for stage in bench.voice.stages if stage.kind in PEAK_CONTROL)
    chain = Chain(Voice(name="peak control", stages=stages), rig)
    full = rig.level.sample_at_full_modulation
    late = chain.latency_samples
    ours = clips.run(chain, driven)[late:] / full
    low_pass = bench.only("low_pass")
    reference = low_pass.process(np.pad(driven, (0, low_pass.latency_samples)))
    reference = reference[low_pass.latency_samples :]
    limits = (rig.modulation.negative_limit_pct / 100, rig.modulation.positive_limit_pct / 100)
    best = project(reference, 1.25 * bench.cutoff_hz, *limits)
    return judged(ours, reference), judged(best, reference)


def main() -> None:
    """Compare all clips and print."""
    parser = argparse.ArgumentParser(description="Compare peak control with the optimum.")
    parser.add_argument("--drive", type=float, default=12.0, help="drive into the clipper, dB")
    parser.add_argument("--all", action="store_true", help="audio_samples too, not only people")
    options = parser.parse_args()
    names = [n for n in clips.SPOKEN if options.all or n.endswith("harvard_phrases")]
    print(f"drive {options.drive:g} dB, flat path; goal: within {GOAL_DB} dB of SDR")
    heads = ("SDR", "best", "short by", "LUFS", "best", "trough", "best", "crest", "best")
    print(f"{'clip':26s}" + "".join(f"{head:>10s}" for head in heads))
    short = []
    for name in names:
        ours, best = compare(name, options.drive)
        short.append(best.sdr_db - ours.sdr_db)
        figures = (ours.sdr_db, best.sdr_db, short[-1], ours.loudness_lufs, best.loudness_lufs)
        peaks = (ours.trough, best.trough, ours.crest, best.crest)
        row = [f"{x:10.2f}" for x in figures] + [f"{100 * x:9.2f}%" for x in peaks]
        print(f"{name:26s}" + "".join(row))
    print(f"worst {max(short):.2f} dB, mean {np.mean(short):.2f} dB short of the best SDR")


if __name__ == "__main__":
    main()
