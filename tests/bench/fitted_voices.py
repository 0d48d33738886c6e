"""What ``carrierfloor fit`` is worth: effective power gain of a voice before and after.

Usage, from the top of the repository::

    python -m tests.bench.fitted_voices [--voice NAME] [--rig NAME] [--quick] [CLIP ...]

Each clip is fitted to itself, so the table says what a fit can bring at best.  The gains are those
of tests/bench/intelligibility.py: how much less carrier is needed to be understood in noise as well
as the unprocessed voice.  "Level" columns are fitted to the density that the clip has in the base
voice, so that what they gain comes from anything but more drive.
"""

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from carrierfloor import presets
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_fit import fit_voice
from tests.bench.intelligibility import (
    CLIPS,
    Reception,
    Result,
    compare,
    processed,
    read_clip,
    usable_references,
)


@dataclass(frozen=True)
class Row:
    """One clip in the base voice, in the fitted one, and fitted to the density it had."""

    clip: str
    density_pct: tuple[float, float]  # before, fitted
    base: Result
    fitted: Result
    level: Result


def row(file: Path, scaled: Reception, base: Voice, rig: Rig) -> Row:
    """Fit a clip twice and hold all three voices against the unprocessed clip."""
    clip = read_clip(file)
    fit = fit_voice(clip, base, rig)
    level = fit_voice(clip, base, rig, density=fit.drive.recorded_density)

    def result(voice: Voice) -> Result:
        return compare(file.name, scaled, processed(clip, voice, rig), rig)

    density_pct = (100.0 * fit.drive.recorded_density, 100.0 * fit.drive.trial.density)
    return Row(file.stem, density_pct, result(base), result(fit.voice), result(level.voice))


def figures(one: Row) -> list[float]:
    """Return a row's figures in the order of the table."""
    values = list(one.density_pct)
    for at in (1, 2):  # scores of .5 and .7
        values += [result.gains_db[at] for result in (one.base, one.fitted, one.level)]
    return values + [result.score_without_noise for result in (one.base, one.fitted, one.level)]


def print_row(name: str, values: Sequence[float]) -> None:
    """Print one line of the table."""
    density, gains, clean = values[:2], values[2:8], values[8:]
    print(
        f"{name:24s}"
        + "".join(f"{value:7.1f}" for value in density)
        + "".join(f"{value:+7.1f}" for value in gains)
        + "".join(f"{value:7.3f}" for value in clean),
        flush=True,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="What a fitted voice gains.")
    parser.add_argument("clips", nargs="*", type=Path, help="sound files (the repository's)")
    parser.add_argument("--voice", default=presets.DEFAULT_VOICE)
    parser.add_argument("--rig", default=presets.DEFAULT_RIG)
    parser.add_argument("--quick", action="store_true", help="the four clips of real talkers only")
    options = parser.parse_args(arguments)
    folders = CLIPS[:1] if options.quick else CLIPS
    files = options.clips or [file for folder in folders for file in sorted(folder.glob("*.flac"))]
    base, rig = presets.voice(options.voice), presets.rig(options.rig)
    print(f"voice {options.voice}, rig {options.rig}: base voice, fitted, fitted as dense as base")
    print(f"{'':24s}{'density, %':>14s}{'gain at .5':>21s}{'gain at .7':>21s}{'clean':>21s}")
    head = ["base", "fitted"] + 3 * ["base", "fitted", "level"]
    print(f"{'clip':24s}" + "".join(f"{word:>7s}" for word in head))
    rows = []
    for file, scaled in usable_references(files, rig).items():
        rows.append(figures(row(file, scaled, base, rig)))
        print_row(file.stem, rows[-1])
    print_row("mean", list(np.mean(rows, axis=0)))
    changes = np.array(rows)[:, [3, 6, 9]] - np.array(rows)[:, [2, 5, 8]]
    print(
        "fitted less base: mean {:+.2f} dB at .5, {:+.2f} at .7, {:+.3f} clean; "
        "worst {:+.2f}, {:+.2f}, {:+.3f}".format(*changes.mean(axis=0), *changes.min(axis=0))
    )


if __name__ == "__main__":
    main()
