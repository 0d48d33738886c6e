"""The command ``process``: sound files in, sound files out that hold the carrier up."""

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from carrierfloor.cli import report_file, screen, summary
from carrierfloor.cli.audio_in import check_readable
from carrierfloor.cli.audio_out import container_of
from carrierfloor.cli.job import Options, warmed_up
from carrierfloor.cli.one_file import complete
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.cli.witness import InputWitness, OutputWitness
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ

# What is compiled first and last by a run, to tell whether there was one.
FIRST_KERNEL, LAST_KERNEL = "run_stream", "_follow"


def process(
    files: Sequence[Path],
    options: Options,
    *,
    into: Path | None = None,
    save_report: Path | None = None,
    pictures: Path | None = None,
    jobs: int | None = None,
) -> int:
    """Process one file, or many into a folder.

    Parameters
    ----------
    files : sequence of Path
        Input and output; with ``into``, input files and folders.
    options : Options
        How, for all of them.
    into : Path, optional
        Folder for the outputs of many files; made if it is not there.
    save_report : Path, optional
        Where a report goes, as .json or .csv.
    pictures : Path, optional
        Folder for pictures of before and after; many files get a folder in it each.
    jobs : int, optional
        How many files at once; as many as there are processors by default.

    Returns
    -------
    int
        Exit status: 0, or 2 if a file failed.

    Raises
    ------
    CarrierfloorError
        If nothing can be done.
    """
    if save_report is not None:
        report_file.check_path(save_report)
    if pictures is not None:
        check_folder("--pictures", pictures)
        options = replace(options, compare=True)  # the pictures need to know how loud it was
    if into is not None:
        from carrierfloor.cli.batch import process_many

        return process_many(
            files, into, options, save_report=save_report, pictures=pictures, jobs=jobs
        )
    source, target = _pair(files)
    options.check()
    compile_first(options)
    with screen.progress_bar() as bar:
        task = bar.add_task(source.name, total=1.0)
        found = complete(
            source, target, options, pictures, lambda part: bar.update(task, completed=part)
        )
    if save_report is not None:
        report_file.save([found], save_report)
    summary.show(found, screen.results())
    return 0


def compile_first(options: Options) -> None:
    """On the first run on a machine, say what takes so long, and do it."""
    if is_compiled(FIRST_KERNEL) and is_compiled(LAST_KERNEL):
        return
    screen.remarks().print("First run on this machine: compiling, this takes a minute ...")
    voice, rig = options.documents()
    warmed_up(Chain(voice, rig))
    heard = InputWitness(voice, rig, highest_hz=SAMPLE_RATE_HZ / 2, sample_step=0.0, compare=True)
    sent = OutputWitness(rig, round(SAMPLE_RATE_HZ))
    for witness in (heard, sent):
        witness.hear(np.zeros(HOP))
        witness.finish()


def refuse_overwriting(source: Path, target: Path) -> None:
    """Refuse an output that is the input, by whatever name.

    Raises
    ------
    SettingError
        If it is, or if the output is a folder.
    """
    if target.is_dir():
        raise SettingError(f"{target} is a folder; name a file, or use --into {target}")
    if source.exists() and target.exists() and os.path.samefile(source, target):
        raise SettingError(f"output {target} is the input {source}; name another file")


def _pair(files: Sequence[Path]) -> tuple[Path, Path]:
    if len(files) != 2:
        raise SettingError(
            f"{len(files)} file{'s' if len(files) != 1 else ''} given; it takes IN and OUT, "
            "or any number of inputs and --into FOLDER"
        )
    source, target = files
    if source.is_dir():
        raise SettingError(f"{source} is a folder; use --into FOLDER to process all files in it")
    refuse_overwriting(source, target)
    check_readable(source)
    container_of(target)
    return source, target
