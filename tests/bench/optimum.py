"""How close the peak control comes to the best waveform there is.

Usage, from the top of the repository::

    python -m tests.bench.optimum [--drive DB] [--all] [--baseline]

Speech, scaled so that it just touches a ceiling and then driven, goes through clipper, low-pass,
sub-audio high-pass and limiter, on a flat path: with the clipper as it is by default, and as the
default voice sets it.  The reference is the driven speech through the two filters alone.  The best
signal is its projection onto the signals that hold both ceilings, with nothing beyond the
low-pass's stop edge and nothing below the corner of the sub-audio high-pass; with ``--baseline`` it
may keep the moving baseline that the chain has to remove, and then nothing that fits into the
channel is closer.  It is found with R. L. Dykstra, "An algorithm for restricted least squares
regression", J. Am. Statist. Assoc. 78 (1983), alternating between the band (by FFT) and the
ceilings on a fine grid.

Figures: signal to distortion ratio, and loudness after ITU-R BS.1770 (pyebur128).
"""

import argparse
from dataclasses import dataclass, replace

import numpy as np
from pyebur128 import MeasurementMode, R128State, get_loudness_global
from scipy import fft

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.clipper import ClipperDesign
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


def project(
    wanted: clips.Array,
    band_hz: tuple[float, float],
    negative: float,
    positive: float,
) -> clips.Array:
    """Return the closest signal that is band-limited and within both ceilings, at 48 kHz."""
    padded = np.pad(wanted, RATE_HZ // 10)
    size = 2 * fft.next_fast_len(len(padded) // 2 + 1, real=True)
    padded = np.pad(padded, (0, size - len(padded)))
    bins = fft.rfft(padded)
    first, last = (int(edge * size / RATE_HZ) for edge in band_hz)
    fine = FINE * fft.irfft(bins[: last + 1], FINE * size)
    correction = np.zeros_like(fine)
    band = fine
    for _ in range(PASSES):  # Dykstra's correction is zero for the band, a linear space
        moved = band + correction
        held = np.clip(moved, -negative, positive)
        correction = moved - held
        bins = fft.rfft(held)[: last + 1]
        bins[:first] = 0.0
        band = fft.irfft(bins, FINE * size)
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


def driven_voice(bench: Bench, name: str, drive_db: float) -> clips.Array:
    """Return a clip without rumble, its larger peaks upward, so far beyond its ceilings."""
    voice = bench.narrow(bench.shaped(clips.sound(name), "condition"))
    peaks = antenna.judge(voice, RATE_HZ, 1.0, [], oversampling=8)
    up, down = peaks.crest, peaks.trough
    if down > up:
        voice, up, down = -voice, down, up
    return voice * 10 ** (drive_db / 20) / max(up / bench.positive, down / bench.negative)


def peak_control(bench: Bench, driven: clips.Array) -> clips.Array:
    """Run the stages from the clipper to the limiter; return modulation in step."""
    stages = tuple(stage for stage in bench.voice.stages if stage.kind in PEAK_CONTROL)
    chain = Chain(Voice(name="peak control", stages=stages), bench.rig)
    out = clips.run(chain, driven)[chain.latency_samples :]
    return out / bench.rig.level.sample_at_full_modulation


def filtered(bench: Bench, driven: clips.Array) -> clips.Array:
    """Run the two filters alone, in step."""
    for kind in ("low_pass", "sub_audio"):
        stage = bench.only(kind)
        late = stage.latency_samples
        driven = stage.process(np.pad(driven, (0, late)))[late:]
    return driven


def with_default_clipper(voice: Voice) -> Voice:
    """Return the voice with a clipper as it is when nothing is set."""
    stages = (ClipperDesign() if s.kind == "clipper" else s for s in voice.stages)
    return replace(voice, stages=tuple(stages))


def compare(name: str, drive_db: float, baseline: bool) -> tuple[Result, Result, Result]:
    """Return the figures of one clip: default clipper, the voice's clipper, best waveform."""
    bench = Bench(presets.voice(), clips.rig())
    plain = Bench(with_default_clipper(bench.voice), bench.rig)
    driven = driven_voice(bench, name, drive_db)
    reference = filtered(bench, driven)
    band_hz = (0.0 if baseline else bench.setting("sub_audio", "corner_hz"), bench.stop_hz)
    best = project(reference, band_hz, bench.negative, bench.positive)
    waves = (peak_control(plain, driven), peak_control(bench, driven), best)
    ours, voices, optimum = (judged(wave, reference) for wave in waves)
    return ours, voices, optimum


def main() -> None:
    """Compare all clips and print."""
    parser = argparse.ArgumentParser(description="Compare peak control with the optimum.")
    parser.add_argument("--drive", type=float, default=12.0, help="drive into the clipper, dB")
    parser.add_argument("--all", action="store_true", help="audio_samples too, not only people")
    parser.add_argument("--baseline", action="store_true", help="the best may move its baseline")
    options = parser.parse_args()
    names = [n for n in clips.SPOKEN if options.all or n.endswith("harvard_phrases")]
    print(f"drive {options.drive:g} dB, flat path; goal: within {GOAL_DB} dB of SDR")
    groups = ("SDR, dB", "short by", "loudness, LUFS", "trough and crest")
    print(f"{'':26s}{groups[0]:>22s}{groups[1]:>18s}{groups[2]:>24s}{groups[3]:>20s}")
    three = ["default", "voice", "best"]
    heads = [*three, *three[:2], *three, "default"]
    print(f"{'clip':26s}" + "".join(f"{head:>9s}" for head in heads))
    short: list[tuple[float, float]] = []
    for name in names:
        ours, voices, best = compare(name, options.drive, options.baseline)
        short.append((best.sdr_db - ours.sdr_db, best.sdr_db - voices.sdr_db))
        figures = (ours.sdr_db, voices.sdr_db, best.sdr_db, *short[-1])
        loud = (ours.loudness_lufs, voices.loudness_lufs, best.loudness_lufs)
        peaks = f"{100 * ours.trough:9.2f} {100 * ours.crest:7.2f} %"
        print(f"{name:26s}" + "".join(f"{x:9.2f}" for x in (*figures, *loud)) + peaks)
    for clipper, column in zip(("default", "the voice's"), zip(*short, strict=True), strict=True):
        print(f"{clipper} clipper: mean {np.mean(column):.2f} dB, worst {max(column):.2f} dB short")


if __name__ == "__main__":
    main()
