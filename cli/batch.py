"""Many files at once: which ones, where to, and what became of them."""

import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import soundfile

from carrierfloor.cli import report_file, screen
from carrierfloor.cli.audio_out import CONTAINERS
from carrierfloor.cli.batch_table import show_table
from carrierfloor.cli.job import Options, Progress
from carrierfloor.cli.one_file import complete
from carrierfloor.cli.pool import Failure, run_all
from carrierfloor.cli.process import compile_first, refuse_overwriting
from carrierfloor.cli.report import Report
from carrierfloor.dsp.errors import SettingError

# Endings of sound files, besides the names that libsndfile gives its formats.
MORE_ENDINGS = ("aif", "aiff", "aifc", "bwf", "mp2", "oga", "opus", "snd", "wave")
NO_SOUND = ("raw",)  # has no header, so nothing can be known about it


@dataclass(frozen=True)
class Task:
    """One file."""

    source: Path
    target: Path
    options: Options
    pictures: Path | None  # folder for them

    @property
    def name(self) -> str:
        """The file, as given."""
        return str(self.source)


def process_many(
    files: Sequence[Path],
    into: Path,
    options: Options,
    *,
    save_report: Path | None,
    pictures: Path | None,
    jobs: int | None,
) -> int:
    """Process files and all sound files of folders into one folder.

    Returns
    -------
    int
        Exit status: 0, or 2 if a file failed.

    Raises
    ------
    CarrierfloorError
        If nothing can be done.
    """
    pairs = plan(files, into)
    options.check()  # a mistake there ends it here, not once for every file
    compile_first(options)  # once, not in every process
    tasks = [
        Task(
            source,
            target,
            options,
            pictures and pictures / target.relative_to(into).with_suffix(""),
        )
        for source, target in pairs
    ]
    results = run_all(tasks, _one, jobs or os.cpu_count() or 1, title=f"{len(tasks)} files")
    done = [result for result in results if not isinstance(result, Failure)]
    failed = [result for result in results if isinstance(result, Failure)]
    if save_report is not None:
        report_file.save(done, save_report, [vars(failure) for failure in failed], many=True)
    show_table(done, failed, screen.results())
    return 2 if failed else 0


def _one(task: Task, progress: Progress) -> Report:
    return complete(task.source, task.target, task.options, task.pictures, progress)


def plan(files: Sequence[Path], into: Path) -> list[tuple[Path, Path]]:
    """Pair each input with its output.

    Files of a folder keep their places below it; what is not WAV or FLAC becomes WAV.

    Raises
    ------
    SettingError
        If there is no input, two would become one output, or the folder cannot be made.
    """
    pairs = []
    for given in files:
        found = _sound_files(given, into) if given.is_dir() else [given]
        for source in found:
            place = source.relative_to(given) if given.is_dir() else Path(source.name)
            kept = source.suffix.lower() in CONTAINERS
            pairs.append((source, into / (place if kept else place.with_suffix(".wav"))))
    if not pairs:
        raise SettingError(f"no sound files in {', '.join(map(str, files))}")
    sources: dict[Path, Path] = {}
    for source, target in pairs:
        other = sources.setdefault(target, source)
        if other != source:
            raise SettingError(f"{other} and {source} would both become {target}")
        refuse_overwriting(source, target)
    try:
        for target in sources:
            target.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise SettingError(f"--into {into}: {error.strerror}") from None
    return list(dict.fromkeys(pairs))


def _sound_files(folder: Path, into: Path) -> list[Path]:
    """Return the sound files below a folder, but not earlier outputs below it."""
    endings = {name.lower() for name in soundfile.available_formats()}
    endings = endings.union(MORE_ENDINGS).difference(NO_SOUND)
    inside = folder.resolve() in into.resolve().parents
    return sorted(
        file
        for file in folder.rglob("*")
        if file.suffix.lower().removeprefix(".") in endings
        and file.is_file()
        and not any(part.startswith(".") for part in file.relative_to(folder).parts)
        and not (inside and into.resolve() in file.resolve().parents)
    )
