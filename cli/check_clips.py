"""The clips of ``check --clips``: what is heard before each cut-off, and pictures of it."""

import os
import shutil
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile

from carrierfloor.cli.check_reference import Reference
from carrierfloor.cli.kept_signal import ReceivedSignal
from carrierfloor.dsp.cutoff_clips import MOST, CutoffClip, choose_clips, faded
from carrierfloor.dsp.cutoff_finder import CutOff
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Modulation, Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SUBTYPE = "PCM_16"
AROUND_S = 0.015  # drawn on either side of the longest cut-off

# A number that does not exist is null.
KEYS = {
    "clips.folder": "path of --clips as given; null without it, or without a cut-off",
    "clips.audio": "reference (what the sound card played) or received",
    "clips.files": "the sound files, in the order of time",
    "clips.pictures": "a picture of each",
    "clips.starts_s": "when each begins, in the recording",
    "clips.cutoffs": "how many cut-offs each holds",
    "clips.off_ms": "for how long the carrier is off in each",
    "clips.left_out": "cut-offs that are in no clip, because there were too many",
}


@dataclass(frozen=True, kw_only=True)
class Clips:
    """What was written."""

    folder: Path | None
    audio: str
    clips: tuple[CutoffClip, ...]
    files: tuple[Path, ...]
    pictures: tuple[Path, ...]
    left_out: int

    @property
    def report(self) -> dict[str, Any]:
        """The group ``clips`` of the report."""
        return {
            "folder": None if self.folder is None else str(self.folder),
            "audio": self.audio,
            "files": [str(file) for file in self.files],
            "pictures": [str(file) for file in self.pictures],
            "starts_s": [clip.start_s for clip in self.clips],
            "cutoffs": [len(clip.cutoffs) for clip in self.clips],
            "off_ms": [1000.0 * clip.off_s for clip in self.clips],
            "left_out": self.left_out,
        }

    @property
    def notes(self) -> list[str]:
        """What a person should know."""
        if self.folder is None:
            return ["Nothing was written to --clips: no cut-off was found."]
        if self.left_out:
            return [
                f"{len(self.files)} clips hold the longest cut-offs; {self.left_out} others are in "
                "none."
            ]
        return []


def check_folder(folder: Path) -> None:
    """Refuse, before any work, a folder that clips could not be written to.

    Raises
    ------
    SettingError
        If it holds something, is no folder, or cannot be made.
    """
    if folder.exists():
        if not folder.is_dir():
            raise SettingError(f"--clips {folder}: is no folder")
        if any(folder.iterdir()):
            raise SettingError(f"--clips {folder}: holds files already; give a new folder")
    parent = folder.absolute().parent
    if not parent.is_dir():
        raise SettingError(f"--clips {folder}: there is no folder {parent}")
    if not os.access(parent, os.W_OK):
        raise SettingError(f"--clips {folder}: cannot write to {parent}")


def write_clips(
    folder: Path,
    received: ReceivedSignal,
    cutoffs: Sequence[CutOff],
    *,
    count: int | None = None,
    reference: Reference | None = None,
    rig: Rig | None = None,
    most: int = MOST,
) -> Clips:
    """Write a clip and a picture for each cut-off; the folder appears whole or not at all.

    Parameters
    ----------
    folder : Path
        New, or empty.
    received : ReceivedSignal
        The received signal.
    cutoffs : sequence of CutOff
        In the order of time.
    count : int, optional
        How many there were in all, if ``cutoffs`` holds the first of them only.
    reference : Reference, optional
        What was played; the demodulated audio otherwise.
    rig : Rig, optional
        For its limits.
    most : int
        Clips at most.

    Raises
    ------
    SettingError
        If the folder cannot be written.
    """
    clips = choose_clips(cutoffs, received.samples / SAMPLE_RATE_HZ, most)
    source = "received" if reference is None else "reference"
    if not clips:
        return Clips(folder=None, audio=source, clips=(), files=(), pictures=(), left_out=0)
    part = folder.absolute().with_name(f".{folder.name}.{os.getpid()}.part")
    limits = rig.modulation if rig is not None else Modulation()
    try:
        check_folder(folder)
        part.mkdir()
        audio = [_audio(clip, received, reference) for clip in clips]
        peak = max(float(np.abs(samples).max(initial=0.0)) for samples in audio)
        for clip, samples in zip(clips, audio, strict=True):
            _write(part / f"{_name(clip)}.wav", faded(samples, peak))
            _draw(part / f"{_name(clip)}.png", clip, samples / peak, received, limits)
        with suppress(FileNotFoundError):
            folder.rmdir()  # an empty one gives way
        os.replace(part, folder)
    except OSError as error:
        raise SettingError(f"--clips {folder}: {error.strerror}") from None
    finally:
        shutil.rmtree(part, ignore_errors=True)
    in_clips = sum(len(clip.cutoffs) for clip in clips)
    return Clips(
        folder=folder,
        audio=source,
        clips=clips,
        files=tuple(folder / f"{_name(clip)}.wav" for clip in clips),
        pictures=tuple(folder / f"{_name(clip)}.png" for clip in clips),
        left_out=(len(cutoffs) if count is None else count) - in_clips,
    )


def _name(clip: CutoffClip) -> str:
    """Return a name that sorts by time: that of the first cut-off, in seconds."""
    return f"cutoff-at-{clip.cutoffs[0].start_s:09.3f}s"


def _audio(clip: CutoffClip, received: ReceivedSignal, reference: Reference | None) -> Block:
    """Return what is to be heard."""
    first = round(clip.start_s * SAMPLE_RATE_HZ)
    samples = round(clip.end_s * SAMPLE_RATE_HZ) - first
    if reference is None:
        return received.take(first, samples)
    return reference.time_map.take(reference.audio, first, samples)


def _write(path: Path, samples: Block) -> None:
    try:
        soundfile.write(path, samples, round(SAMPLE_RATE_HZ), subtype=SUBTYPE)
    except soundfile.LibsndfileError as error:
        raise OSError(0, f"cannot be written ({error.error_string})") from None


def _draw(
    path: Path, clip: CutoffClip, audio: Block, received: ReceivedSignal, limits: Modulation
) -> None:
    from carrierfloor.cli.pictures import save, style

    first = round(clip.start_s * SAMPLE_RATE_HZ)
    modulation = received.take(first, len(audio))
    with style():
        save(_figure(clip, audio, modulation, limits), path)


def _figure(clip: CutoffClip, audio: Block, modulation: Block, limits: Modulation) -> "Figure":
    from matplotlib.figure import Figure

    from carrierfloor.cli.clip_plots import audio_plot, envelope_plot

    time_s = clip.start_s + np.arange(len(audio)) / SAMPLE_RATE_HZ
    figure = Figure(figsize=(9.0, 5.6), layout="constrained")
    upper, lower = figure.subplots(2, 1, height_ratios=(1.0, 1.2))
    audio_plot(time_s, audio, clip.cutoffs, ax=upper)
    worst = clip.worst
    middle_s = worst.start_s + worst.duration_s / 2.0
    reach_s = AROUND_S + worst.duration_s / 2.0
    near = np.abs(time_s - middle_s) <= reach_s
    envelope_plot(1000.0 * (time_s[near] - middle_s), audio[near], modulation[near], limits,
                  ax=lower)  # fmt: skip
    times = "once" if len(clip.cutoffs) == 1 else f"{len(clip.cutoffs)} times"
    upper.set_title(f"Carrier off {times}, {1000.0 * clip.off_s:.2f} ms in all")
    lower.set_title(f"The longest, {1000.0 * worst.duration_s:.2f} ms at {worst.start_s:.3f} s")
    return figure
