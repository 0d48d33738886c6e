"""What ``carrierfloor fit`` is worth: effective power gain of a voice before and after.

Usage, from the top of the repository::

    python -m tests.bench.fitted_voices [--voice NAME] [--rig NAME] [--quick] [--halves] [CLIP ...]

Each clip is fitted to itself, so the table says what a fit can bring at best; with ``--halves``
each half of a clip is heard in the voice that was fitted to the other, twice in a row because a fit
wants three seconds of speech.  The gains are those of tests/bench/intelligibility.py: how much
less carrier is needed to be understood in noise as well as the unprocessed voice.  "level" is
fitted to the density that the clip has in the base voice, so that what it gains comes from
anything but more drive.
"""

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from carrierfloor import presets
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.trial import try_out
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_fit import fit_voice
from tests.bench.intelligibility import (
    CLIPS,
    Audio,
    compare,
    processed,
    read_clip,
    reference,
)

USABLE_SCORE = 0.75  # of unprocessed speech: with less no gain at .7 can be read
GAINS_AT = (1, 2)  # scores of .5 and .7
HEAD = ("base", "fitted", *3 * ("base", "fitted", "level"))


def row(heard: Audio, learnt: Audio, base: Voice, rig: Rig) -> list[float] | None:
    """Return the figures of one line of the table; ``None`` if no gain can be read.

    Parameters
    ----------
    heard, learnt : ndarray, shape (n,)
        What is judged, and what the voice is fitted to; 48 kHz.
    base : Voice
        What the fit begins with.
    rig : Rig
        The transmitter.
    """
    scaled = reference(heard, rig)
    if scaled.score_without_noise < USABLE_SCORE:
        return None
    fit = fit_voice(learnt, base, rig)
    level = fit_voice(learnt, base, rig, density=fit.drive.recorded_density)
    voices = (base, fit.voice, level.voice)
    results = [compare("", scaled, processed(heard, voice, rig), rig) for voice in voices]
    densities = [100.0 * try_out(voice, rig, heard).density for voice in voices[:2]]
    gains = [result.gains_db[at] for at in GAINS_AT for result in results]
    return densities + gains + [result.score_without_noise for result in results]


def cases(clip: Audio, halves: bool) -> Iterator[tuple[str, Audio, Audio]]:
    """Yield what is added to a clip's name, what is heard and what is learnt from."""
    if not halves:
        yield "", clip, clip
        return
    one, other = np.array_split(clip, 2)
    yield " 1", one, np.tile(other, 2)
    yield " 2", other, np.tile(one, 2)


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
    parser.add_argument("--halves", action="store_true", help="judge by words not fitted to")
    options = parser.parse_args(arguments)
    folders = CLIPS[:1] if options.quick else CLIPS
    files = options.clips or [file for folder in folders for file in sorted(folder.glob("*.flac"))]
    base, rig = presets.voice(options.voice), presets.rig(options.rig)
    print(f"voice {options.voice}, rig {options.rig}: base voice, fitted, fitted as dense as base")
    print(f"{'':24s}{'density, %':>14s}{'gain at .5':>21s}{'gain at .7':>21s}{'clean':>21s}")
    print(f"{'clip':24s}" + "".join(f"{word:>7s}" for word in HEAD))
    rows = []
    for file in files:
        for which, heard, learnt in cases(read_clip(file), options.halves):
            figures = row(heard, learnt, base, rig)
            if figures is None:
                print(f"{file.stem}{which}: left out, unprocessed speech scores too little")
                continue
            rows.append(figures)
            print_row(file.stem + which, figures)
    print_row("mean", list(np.mean(rows, axis=0)))
    for words, to in (("fitted", 1), ("level", 2)):
        changes = np.array(rows)[:, [2 + to, 5 + to, 8 + to]] - np.array(rows)[:, [2, 5, 8]]
        for summary, values in (("mean", changes.mean(axis=0)), ("worst", changes.min(axis=0))):
            at_5, at_7, clean = values
            print(f"{words} less base, {summary}: {at_5:+.2f} dB at .5, {at_7:+.2f}, {clean:+.3f}")


if __name__ == "__main__":
    main()
