"""The end of ``level``: change the rig file, save the report, show all."""

from pathlib import Path

from carrierfloor.cli import level_notes, level_report, level_view, report_file, screen
from carrierfloor.cli.level_found import LevelFound
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.errors import AudioError, SettingError

LOWEST_DBFS, HIGHEST_DBFS = -40.0, 0.0  # what a rig file may say


def check_report(path: Path | None) -> None:
    """Refuse, before any work, a report that could not be saved.

    Raises
    ------
    SettingError
        If its ending is not .json or its folder cannot be written to.
    """
    if path is None:
        return
    if path.suffix.lower() != ".json":
        raise SettingError(f"--report {path}: the ending must be .json")
    report_file.check_path(path)


def finish(found: LevelFound, rig: str, save_report: Path | None, *, dry_run: bool) -> int:
    """Put a level into the rig file and show it.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If the level cannot be a rig's, or something cannot be written.
    """
    _check_range(found.full_modulation_dbfs)
    file = RigFile(rig)
    before = file.rig
    remark = f"by {found.method}, known to {found.fit.error_db:.2f} dB"
    file.set("level", "full_modulation_dbfs", found.full_modulation_dbfs, remark)
    if found.polarity is not None:
        file.set("level", "polarity", found.polarity, f"by {found.method}")
    backup = None if dry_run else file.save()
    report = level_report.build(
        found,
        file,
        before,
        backup=backup,
        written=not dry_run,
        notes=level_notes.notes(found, before),
    )
    if save_report is not None:
        report_file.save([report], save_report)
    level_view.show(report, screen.results())
    return 0


def _check_range(level_dbfs: float) -> None:
    if level_dbfs > HIGHEST_DBFS:
        raise AudioError(
            f"100 % would take {level_dbfs:+.1f} dBFS, more than a sound card gives; turn the "
            f"transmitter's audio gain up by {level_dbfs + 3.0:.0f} dB and begin again"
        )
    if level_dbfs < LOWEST_DBFS:
        raise AudioError(
            f"100 % takes only {level_dbfs:.1f} dBFS; turn the transmitter's audio gain down "
            "until it takes -40 to 0 dBFS (-20 to -6 is best) and begin again"
        )
