"""What each remedy does to the carrier, side by side, measured at the antenna.

Usage, from the top of the repository::

    python -m tests.bench.side_by_side [--rig NAME] [--drive DB] [--markdown]

Every remedy gets the same clips (audio_samples and tests/open_speech) and the same path, that of
the rig; all but the first two get the same driven voice: the default voice's own stages up to its
clipper.  Those that know no path are set as an operator would, by the waveform at the sound card.
Times real time is for the whole of it, from the voice to the card, on one core.
The envelope is computed by tests/reference/antenna.py.  pedalboard and ffmpeg, general-purpose
tools, are skipped with a note where they are missing: ``pip install -e ".[bench]"``.
"""

import argparse
import resource
import shutil
import subprocess
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import soxr

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Context, Stage
from carrierfloor.dsp.voice import Voice
from tests import clips
from tests.reference import antenna, remedies
from tests.reference.speech_level import active_rms

Array = clips.Array
RATE_HZ = SAMPLE_RATE_HZ
STOP_RATIO = 1.25  # emission counts from this part of the audio bandwidth on
FINE = 8  # times oversampled envelope


@dataclass(frozen=True)
class Bench:
    """The setting that all remedies share."""

    voice: Voice
    rig: Rig

    def setting(self, kind: str, key: str) -> float:
        """Return one setting of the voice."""
        return float(getattr(next(s for s in self.voice.stages if s.kind == kind), key))

    @property
    def cutoff_hz(self) -> float:
        """Highest audio frequency of the voice."""
        return self.setting("low_pass", "cutoff_hz")

    @property
    def stop_hz(self) -> float:
        """From here on there should be nothing; emission is counted from here on."""
        return STOP_RATIO * self.cutoff_hz

    @property
    def negative(self) -> float:
        """The limit of the trough, 1.0 = cut-off."""
        return self.rig.modulation.negative_limit_pct / 100

    @property
    def positive(self) -> float:
        """The limit of the crest."""
        return self.rig.modulation.positive_limit_pct / 100

    @property
    def path(self) -> list[antenna.SectionRow]:
        """The rig's (first) path as the reference wants it."""
        sections = self.rig.paths[0].sections if self.rig.paths else ()
        return [
            {key: value for key, value in vars(section).items() if value is not None}
            for section in sections
        ]

    @property
    def context(self) -> Context:
        """What the stages may know."""
        return Context(negative_limit=self.negative, positive_limit=self.positive)

    def only(self, kind: str) -> Stage:
        """Return the voice's stage of one kind, fresh."""
        return next(s for s in self.voice.stages if s.kind == kind).build(self.context)

    @cached_property
    def chain(self) -> Chain:
        """The whole chain; reset it before use."""
        return Chain(self.voice, self.rig)

    @cached_property
    def blind(self) -> Chain:
        """The same for a rig that has no path; reset it before use."""
        return Chain(self.voice, replace(self.rig, paths=()))

    @cached_property
    def stages(self) -> list[Stage]:
        """The voice's stages, each by itself; reset them before use."""
        return [design.build(self.context) for design in self.voice.stages]

    def shaped(self, samples: Array, last: str = "drive") -> Array:
        """Run the voice's stages up to the one of kind ``last``, in step with the input."""
        kinds = [design.kind for design in self.voice.stages]
        ahead = self.stages[: kinds.index(last) + 1]
        late = sum(stage.latency_samples for stage in ahead)
        samples = np.pad(samples, (0, late))
        for stage in ahead:
            stage.reset()
            samples = stage.process(samples)
        return samples[late:]

    def narrow(self, samples: Array) -> Array:
        """Keep the voice's audio bandwidth."""
        return remedies.band_limit(samples, RATE_HZ, self.cutoff_hz, self.stop_hz)

    def scaled(self, samples: Array) -> Array:
        """Scale the waveform at the card to the limit, as seen on a scope there."""
        return remedies.scaled_to_trough(samples, RATE_HZ, self.negative)


def unprocessed(bench: Bench, samples: Array) -> Array:
    """Band-limit and scale, nothing else."""
    return bench.scaled(bench.narrow(samples))


def compressed(bench: Bench, samples: Array) -> Array:
    """Level and compress with the voice's own stages, no clipper; scale."""
    return bench.scaled(bench.narrow(bench.shaped(samples, "compressor")))


def clip_and_low_pass(bench: Bench, samples: Array) -> Array:
    """Clip in the speech amplifier, then low-pass; scale."""
    clipped = np.clip(bench.shaped(samples), -bench.negative, bench.positive)
    return bench.scaled(bench.narrow(clipped))


def pedalboard_limiter(bench: Bench, samples: Array) -> Array:
    """Clip, low-pass, then pedalboard's brick-wall limiter with true peak."""
    from pedalboard import BrickwallLimiter, Pedalboard

    ceiling_db = 20 * np.log10(bench.negative)
    board = Pedalboard([BrickwallLimiter(ceiling_db=ceiling_db, release_ms=60.0, true_peak=True)])
    driven = bench.narrow(bench.shaped(samples))
    padded = np.pad(driven, (0, 4800)).astype(np.float32)
    return np.asarray(board(padded, RATE_HZ), dtype=float)


def ffmpeg_limiter(bench: Bench, samples: Array) -> Array:
    """Low-pass, then ffmpeg's alimiter at four times the rate."""
    driven = np.pad(bench.narrow(bench.shaped(samples)), (0, 4800))
    fine = soxr.resample(driven, RATE_HZ, 4 * RATE_HZ, "VHQ")
    limiter = f"alimiter=limit={bench.negative}:attack=5:release=60:level=false"
    raw = ["-f", "f32le", "-ar", str(round(4 * RATE_HZ)), "-ac", "1"]
    done = subprocess.run(
        ["ffmpeg", "-v", "error", *raw, "-i", "-", "-af", limiter, *raw, "-"],
        input=fine.astype(np.float32).tobytes(),
        capture_output=True,
        check=True,
    )
    limited = np.frombuffer(done.stdout, dtype=np.float32).astype(float)
    return np.asarray(soxr.resample(limited, 4 * RATE_HZ, RATE_HZ, "VHQ"))


def path_blind(bench: Bench, samples: Array) -> Array:
    """The whole chain of carrierfloor, not told of any path."""
    bench.blind.reset()
    card = clips.run(bench.blind, samples)
    return card / bench.rig.level.sample_at_full_modulation


def ours(bench: Bench, samples: Array) -> Array:
    """The whole chain; from card samples back to modulation."""
    bench.chain.reset()
    card = clips.run(bench.chain, samples)
    return card / bench.rig.level.sample_at_full_modulation


Remedy = Callable[[Bench, Array], Array]


@dataclass
class Row:
    """The figures of one remedy, over all clips."""

    name: str
    trough: float = 0.0
    crest: float = 0.0
    cutoffs: int = 0
    energy_beyond: float = 0.0
    density_sum: float = 0.0
    audio_s: float = 0.0
    cpu_s: float = 0.0
    note: str = ""

    def add(self, bench: Bench, modulation: Array, audio_s: float, cpu_s: float) -> None:
        """Take the modulation of one clip at the antenna, ``FINE`` times oversampled."""
        self.trough = max(self.trough, -float(modulation.min()))
        self.crest = max(self.crest, float(modulation.max()))
        self.cutoffs += antenna.count_cutoffs(modulation)
        emission_dbc = antenna.emission_dbc(modulation, FINE * RATE_HZ, bench.stop_hz, audio_s)
        self.energy_beyond += 10 ** (emission_dbc / 10) * audio_s
        self.density_sum += active_rms(modulation[::FINE], RATE_HZ) * audio_s
        self.audio_s += audio_s
        self.cpu_s += cpu_s

    @property
    def figures(self) -> tuple[str, ...]:
        """The figures as text, in the order of ``HEADS``."""
        if not self.audio_s:
            return ("-",) * 5 + (self.note,)
        return (
            f"{100 * self.trough:.2f} %",
            f"{self.cutoffs / self.audio_s * 60:.0f}",
            f"{10 * np.log10(self.energy_beyond / self.audio_s):.1f} dBc",
            f"{100 * self.density_sum / self.audio_s:.1f} %",
            f"{self.audio_s / self.cpu_s:.0f}" if self.cpu_s else "-",
            self.note,
        )


HEADS = ("negative peak", "cut-offs a minute", "emission", "density", "times real time", "")


def cpu_seconds() -> float:
    """Return the CPU time of this process and of those it has run."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def measure(
    name: str, bench: Bench, remedy: Remedy, sounds: Sequence[Array], *, timed: bool = False
) -> Row:
    """Run one remedy over all clips; time it where it is a processor and not bench arithmetic."""
    row = Row(name)
    remedy(bench, sounds[0])  # warm: compiled and loaded
    for samples in sounds:
        before = cpu_seconds()
        card = remedy(bench, samples)
        cpu_s = cpu_seconds() - before
        modulation = antenna.modulation(card, RATE_HZ, 1.0, bench.path, FINE)
        row.add(bench, modulation, len(samples) / RATE_HZ, cpu_s if timed else 0.0)
    return row


def measure_diode(bench: Bench, sounds: Sequence[Array], density: Sequence[float]) -> Row:
    """Run a compressed voice of the given densities into an ideal diode clipper."""
    row = Row("compressed + ideal diode clipper", note="as dense as ours")
    for samples, wanted in zip(sounds, density, strict=True):
        modulation = diode_clipped(bench, samples, wanted)
        row.add(bench, modulation, len(samples) / RATE_HZ, 0.0)
    return row


def diode_clipped(bench: Bench, samples: Array, density: float) -> Array:
    """Return the modulation of a compressed voice behind path and diode, of a given density."""
    voice = compressed(bench, samples)
    limits = (bench.path, bench.negative, density)
    gain = remedies.gain_for_density(voice, RATE_HZ, *limits)
    modulation = antenna.modulation(gain * voice, RATE_HZ, 1.0, bench.path, FINE)
    return remedies.diode(modulation, bench.negative)


def density_of(bench: Bench, samples: Array) -> float:
    """Return the density of our chain for one clip."""
    card = ours(bench, samples)
    return active_rms(antenna.modulation(card, RATE_HZ, 1.0, bench.path, 1), RATE_HZ)


def all_rows(bench: Bench, sounds: Sequence[Array]) -> list[Row]:
    """Measure all remedies."""
    rows = [
        measure("unprocessed", bench, unprocessed, sounds),
        measure("compressed", bench, compressed, sounds),
        measure_diode(bench, sounds, [density_of(bench, samples) for samples in sounds]),
        measure("speech-amplifier clip + low-pass", bench, clip_and_low_pass, sounds),
    ]
    name = "pedalboard BrickwallLimiter, true peak"
    try:
        rows.append(measure(name, bench, pedalboard_limiter, sounds, timed=True))
    except ImportError:
        rows.append(Row(name, note='skipped: pip install -e ".[bench]"'))
    name = "ffmpeg alimiter at 4 x 48 kHz"
    if shutil.which("ffmpeg"):
        rows.append(measure(name, bench, ffmpeg_limiter, sounds, timed=True))
    else:
        rows.append(Row(name, note="skipped: ffmpeg is not installed"))
    rows.append(measure("carrierfloor, not told the path", bench, path_blind, sounds, timed=True))
    return [*rows, measure("carrierfloor", bench, ours, sounds, timed=True)]


def show(rows: Sequence[Row], markdown: bool) -> None:
    """Print the table."""
    if markdown:
        print("| | " + " | ".join(HEADS) + " |\n|" + "---|" * (len(HEADS) + 1))
    else:
        print(f"{'':40s}" + "".join(f"{head:>18s}" for head in HEADS))
    for row in rows:
        if markdown:
            print(f"| {row.name} | " + " | ".join(row.figures) + " |")
        else:
            print(f"{row.name:40s}" + "".join(f"{text:>18s}" for text in row.figures))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="Compare remedies at the antenna.")
    parser.add_argument("--rig", default=presets.DEFAULT_RIG, help="a shipped rig")
    parser.add_argument("--drive", type=float, default=12.0, help="drive into the clipper, dB")
    parser.add_argument("--markdown", action="store_true", help="print a Markdown table")
    options = parser.parse_args()
    voice = presets.voice().with_drive(options.drive)
    bench = Bench(voice, presets.rig(options.rig))
    sounds = [clips.sound(name) for name in clips.SPOKEN]
    minutes = sum(map(len, sounds)) / RATE_HZ / 60
    print(
        f"{len(sounds)} clips, {minutes:.1f} minutes; voice {voice.name!r}, drive "
        f"{options.drive:g} dB; rig {bench.rig.name!r}, limit -{100 * bench.negative:g} %.\n"
        f"Worst negative peak of all clips; emission beyond {bench.stop_hz:g} Hz "
        "from the carrier, both sidebands, mean power.\n"
    )
    show(all_rows(bench, sounds), options.markdown)


if __name__ == "__main__":
    main()
