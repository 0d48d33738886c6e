"""The command ``figures``: the builder's arithmetic for a rig."""

from pathlib import Path

from carrierfloor.cli import documents, figures_notes, figures_report, figures_table, screen
from carrierfloor.cli.figures_report import Figures, MeasuredDensity, Wanted
from carrierfloor.dsp.carrier import highest_density
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Rig

# Option, field of Wanted, lowest, highest, unit.
RANGES = (
    ("--lowest", "lowest_hz", 10.0, 1000.0, "Hz"),
    ("--highest", "highest_hz", 500.0, 20_000.0, "Hz"),
    ("--corner", "corner_hz", 0.1, 1000.0, "Hz"),
    ("--inductance", "inductance_h", 0.001, 1e5, "H"),
    ("--plate-to-plate", "plate_to_plate_ohm", 10.0, 1e6, "ohm"),
)


def figures(
    wanted: Wanted,
    *,
    audio: Path | None = None,
    channel: str = "mix",
    save_report: Path | None = None,
) -> int:
    """Show what follows from the numbers of a rig.

    Parameters
    ----------
    wanted : Wanted
        The options.
    audio : Path, optional
        A sound file whose density at the antenna is measured.
    channel : str
        Of it: ``mix``, ``left``, ``right`` or a number.
    save_report : Path, optional
        Where a report goes, as .json or .csv.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If an option, the rig, the file or a place for the report cannot be used.
    """
    if save_report is not None:
        from carrierfloor.cli import report_file

        report_file.check_path(save_report)
    rig = documents.rig(wanted.rig)
    _check(wanted, rig)
    measured = None if audio is None else _measure(audio, rig, channel)
    found = figures_report.build(rig, wanted, measured)
    found["warnings"] = figures_notes.warnings(found)
    found["notes"] = figures_notes.notes(found)
    found["missing"] = figures_notes.missing(found)
    if save_report is not None:
        _save(found, rig, wanted, save_report)
    figures_table.show(found, rig.name, screen.results())
    return 0


def _check(wanted: Wanted, rig: Rig) -> None:
    for option, field, low, high, unit in RANGES:
        value = getattr(wanted, field)
        if value is not None and not low <= value <= high:
            raise SettingError(
                f"{option} is {value:g} {unit}; it must be {low:.10g} to {high:.10g} {unit}"
            )
    if wanted.highest_hz <= wanted.lowest_hz:
        raise SettingError(
            f"--highest is {wanted.highest_hz:g} Hz; it must lie above --lowest "
            f"({wanted.lowest_hz:g} Hz)"
        )
    if wanted.density_pct is not None:
        _check_density(wanted.density_pct, rig)


def _check_density(density_pct: float, rig: Rig) -> None:
    down, up = rig.modulation.negative_limit_pct, rig.modulation.positive_limit_pct
    most_pct = 100.0 * highest_density(down / 100.0, up / 100.0)
    if not 0.0 <= density_pct <= most_pct:
        raise SettingError(
            f"--density is {density_pct:g} %; it must be 0 to {most_pct:.1f} %, "
            f"the most that fits between -{down:g} and +{up:g} %"
        )


def _measure(audio: Path, rig: Rig, channel: str) -> MeasuredDensity:
    from carrierfloor.cli.follow import follow
    from carrierfloor.cli.predict import LAST_KERNEL
    from carrierfloor.dsp.kernel import is_compiled

    if not is_compiled(LAST_KERNEL):
        screen.remarks().print("First run on this machine: compiling, this takes a while ...")
    with screen.progress_bar() as bar:
        task = bar.add_task(audio.name, total=1.0)
        followed = follow(
            audio, rig, channel, progress=lambda part: bar.update(task, completed=part)
        )
    thinnest = min(followed.paths, key=lambda path: path.speech.active_rms)
    return MeasuredDensity(
        file=str(audio),
        channel=channel if followed.sound.channels > 1 else "mono",
        density_pct=100.0 * thinnest.speech.active_rms,
        activity_pct=100.0 * thinnest.speech.activity,
        cutoffs=max(path.modulation.cutoffs for path in followed.paths),
    )


def _save(found: Figures, rig: Rig, wanted: Wanted, path: Path) -> None:
    from carrierfloor.cli import report, report_file

    facts = report.rig_facts(rig, wanted.rig)
    head = {"versions": report.versions(), "rig": {key: facts[key] for key in ("name", "source")}}
    report_file.save([head | found], path)
