"""The command ``measure``: the transmitter's audio path, from a sweep into the rig file."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from carrierfloor.cli import documents, measure_report, measure_view, report_file, screen
from carrierfloor.cli.audio_in import AudioIn
from carrierfloor.cli.measuring import (
    Capture,
    Measured,
    Setting,
    apply,
    check_places,
    measured,
    path_names,
)
from carrierfloor.cli.recording_in import MIX
from carrierfloor.cli.report import Report
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.intake import Intake
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.recording_health import RecordingHealth
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sections import sections_from_list
from carrierfloor.dsp.settings import refuse_unknown_keys, tables
from carrierfloor.dsp.signal_level import modulation_pct
from carrierfloor.dsp.sweep_recognition import KnownSweep, recognise
from carrierfloor.dsp.sweep_refusals import check_band
from carrierfloor.dsp.sweep_response import Detector, measure_response

LONGEST_S = 600.0  # of a recording, all of which is held in memory
SHALLOWEST_PCT, DEEPEST_PCT = 1.0, 100.0
LAST_KERNEL = "limiter_kernel"  # the margin asks the limiter what it would let through


@dataclass(frozen=True, kw_only=True)
class MeasureOptions:
    """All options of ``measure``."""

    rig: str
    files: Sequence[Path] = ()
    paths: Sequence[str] = ()
    depth: float | None = None  # in %
    dry_run: bool = False
    report: Path | None = None
    pictures: Path | None = None
    channel: str = "mix"
    detector: Path | None = None
    detector_capture: Path | None = None
    detector_polarity: str | None = None
    output: str | None = None
    input: str | None = None
    output_channel: str = "both"
    level: float | None = None  # in dBFS
    seconds: float = 10.0
    rate: int = 48_000
    keep: Path | None = None
    yes: bool = False


def measure(options: MeasureOptions) -> int:
    """Measure paths from the files of sweep and captures, and update the rig file.

    Raises
    ------
    CarrierfloorError
        If a file or an option cannot be used; then the rig file is as it was.
    """
    if len(options.files) < 2:
        raise SettingError(
            "give SWEEP and CAPTURE, or for a live measurement --output DEVICE --input DEVICE"
        )
    if options.level is not None or options.keep is not None:
        raise SettingError("--level and --keep go with --output and --input; a file is as it is")
    check(options)
    rig_file = RigFile(options.rig)
    rig = rig_file.rig
    sweep_file, *files = options.files
    names = path_names(options.paths, [file.stem for file in files], rig)
    check_places(rig_file, names)
    with screen.remarks().status("Reading the recordings ..."):
        captures, setting = _read(options, sweep_file, files, rig)
    paths = [
        worked_out(capture, name, setting, rig)
        for capture, name in zip(captures, names, strict=True)
    ]
    finish(options, paths, setting)
    return 0


def _read(
    options: MeasureOptions, sweep_file: Path, files: Sequence[Path], rig: Rig
) -> tuple[list[Capture], Setting]:
    # All that is quickly seen to be wrong comes before what takes seconds.
    detector = read_sections(options.detector)
    captures = [read_capture(file, options.channel) for file in files]
    sweep = read_sweep(sweep_file)
    setting = Setting(
        sweep=sweep,
        sweep_source=str(sweep_file),
        depth=depth_of(options, sweep, rig),
        detector=detector or read_reference(options, sweep),
        detector_source=str(options.detector or options.detector_capture or ""),
        detector_polarity=options.detector_polarity,
    )
    return captures, setting


def check(options: MeasureOptions) -> None:
    """Refuse what is wrong whatever the sound.

    Raises
    ------
    SettingError
        Names the option, its value and what is allowed.
    """
    if options.report is not None:
        report_file.check_path(options.report)
    if options.pictures is not None:
        check_folder("--pictures", options.pictures)
    if options.depth is not None and not SHALLOWEST_PCT <= options.depth <= DEEPEST_PCT:
        raise SettingError(
            f"--depth is {options.depth:g} %; it must be {SHALLOWEST_PCT:g} to {DEEPEST_PCT:g} %"
        )


def read_capture(file: Path, channel: str, *, mixes_all: bool = False) -> Capture:
    """Read a recording into memory; channels are mixed only if they are the same signal.

    ``mixes_all``: they are mixed whatever they are.

    Raises
    ------
    CarrierfloorError
        If it cannot be read, has no such channel, is very long, or its channels cannot be mixed.
    """
    with AudioIn(file) as sound:
        try:
            intake = Intake(sound.channels, channel)
        except SettingError as error:
            raise SettingError(f"{file}: {error}") from None
        health = RecordingHealth(math.inf)
        blocks = []
        for block in sound.blocks():
            if sound.duration_s > LONGEST_S:
                raise AudioError(
                    f"{file}: longer than {LONGEST_S / 60:.0f} min; cut it down to the sweep"
                )
            blocks.append(intake.process(block))
            health.process(block)
    if intake.nonfinite_samples:
        raise AudioError(
            f"{file}: {intake.nonfinite_samples} samples are no numbers; record it anew"
        )
    if intake.cancels:
        raise AudioError(f"{file}: mixing the channels cancels them; try --channel left or right")
    if channel == MIX and not mixes_all:
        _check_mix(file, sound.channels, health)
    return Capture(
        source=str(file),
        channel=channel if sound.channels > 1 else "mono",
        samples=np.concatenate(blocks),
        rate_hz=sound.sample_rate_hz,
    )


def _check_mix(file: Path, channels: int, health: RecordingHealth) -> None:
    """Refuse to mix what is not one signal: a path made of two would look like a path."""
    if channels > 2:
        raise AudioError(
            f"{file}: has {channels} channels; say which is the detector's with --channel 1 to "
            f"{channels}"
        )
    try:
        if channels == 2:
            health.check_alike()
    except AudioError as error:
        raise AudioError(
            f"{file}: {error}; say which is the detector's with --channel left or right"
        ) from None


def read_sweep(file: Path) -> KnownSweep:
    """Read the file that was played.

    Raises
    ------
    CarrierfloorError
        If it is no sweep, or leaves out where speech is.
    """
    sound = read_capture(file, MIX, mixes_all=True)  # what comes of two signals is no sweep
    try:
        sweep = recognise(sound.samples, sound.rate_hz)
        check_band(sweep)
    except AudioError as error:
        raise AudioError(f"{file}: {error}") from None
    return sweep


def read_sections(file: Path | None) -> Detector | None:
    """Return the detector whose sections a user wrote down.

    Raises
    ------
    SettingError
        If the file is no list of sections.
    """
    if file is None:
        return None
    where = str(file)
    table = documents.parse(documents.file_text(file), where)
    refuse_unknown_keys(table, ["name", "description", "sections", "notes"], where)
    rows = tables(table, "sections", where)
    if not rows:
        raise SettingError(f"{where}: holds no [[sections]]; leave --detector out if it is flat")
    return Detector(sections=sections_from_list(rows, where))


def read_reference(options: MeasureOptions, sweep: KnownSweep) -> Detector | None:
    """Return the detector that a capture of the sweep through it alone shows.

    Raises
    ------
    AudioError
        If the capture cannot be used.
    """
    if options.detector_capture is None:
        return None
    reference = read_capture(options.detector_capture, options.channel)
    try:
        return measure_response(
            reference.samples, reference.rate_hz, sweep, of_a_detector=False
        ).as_detector()
    except AudioError as error:
        raise AudioError(f"{options.detector_capture}: {error}") from None


def depth_of(options: MeasureOptions, sweep: KnownSweep, rig: Rig) -> float:
    """Return the modulation of the sweep at 1 kHz, 1.0 = 100 %, which is the most there can be."""
    if options.depth is not None:
        return options.depth / 100.0
    return min(1.0, abs(modulation_pct(sweep.peak, rig)) / 100.0)


def worked_out(capture: Capture, name: str, setting: Setting, rig: Rig) -> Measured:
    """Work out a path, while the screen says so."""
    if not is_compiled(LAST_KERNEL):
        screen.remarks().print("First run on this machine: compiling, this takes a while ...")
    with screen.remarks().status(f"Working out {capture.source} ..."):
        return measured(capture, name, setting, rig)


def finish(
    options: MeasureOptions,
    paths: Sequence[Measured],
    setting: Setting,
    live: Report | None = None,
) -> None:
    """Draw, change the rig file, save the report and show all.

    Raises
    ------
    CarrierfloorError
        If something cannot be written.
    """
    file = RigFile(options.rig)  # as it is now, whatever happened to it meanwhile
    before = file.rig
    apply(file, paths, setting)
    pictures: tuple[Path, ...] = ()
    if options.pictures is not None:
        from carrierfloor.cli.measure_pictures import write_pictures

        pictures = write_pictures(options.pictures, paths, before.modulation)
    backup = None if options.dry_run else file.save()
    report = measure_report.build(
        paths,
        setting,
        file,
        before,
        backup=backup,
        written=not options.dry_run,
        pictures=pictures,
        live=live,
    )
    if options.report is not None:
        report_file.save([report], options.report)
    measure_view.show(report, screen.results())
