"""The command ``check``: what the antenna did, from a recording of the transmitted signal."""

from contextlib import ExitStack
from pathlib import Path

from carrierfloor.cli import (
    check_apply,
    check_notes,
    check_parts,
    check_report,
    check_view,
    documents,
    report_file,
    screen,
)
from carrierfloor.cli.check_emission import Emission, check_masks, read_emission
from carrierfloor.cli.check_hearing import hear
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.check_parts import Parts
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import is_compiled
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.rig_verdict import RigVerdict, judge_rig, not_seen

LAST_KERNEL = "_cap"  # of dsp/held_floor.py, the last that is compiled


def check(options: CheckOptions) -> int:
    """Check a recording of the transmitted signal.

    Returns
    -------
    int
        Exit status.

    Raises
    ------
    CarrierfloorError
        If a file or an option cannot be used, or the recording holds no AM; says what it holds.
    """
    rig, file = _rig(options)
    masks = tuple(documents.mask(name) for name in options.masks)
    check_masks(masks)
    check_parts.check_options(options, rig)
    if options.report is not None:
        report_file.check_path(options.report)
    if options.pictures is not None:
        check_folder("--pictures", options.pictures)
    if not is_compiled(LAST_KERNEL):
        screen.remarks().print("First run on this machine: compiling, this takes a while ...")
    with ExitStack() as stack:
        heard, measured, detector = hear(options, rig, stack)
        parts = stack.enter_context(check_parts.made_parts(options, measured, rig, detector))
        emission = read_emission(
            heard,
            check_report.mean_height(measured),
            masks,
            rig.carrier.power_w if rig and rig.carrier else None,
            sideband_power=measured.reading.rms**2,
        )
        verdict = None if rig is None else _verdict(measured, rig, parts)
        report = check_report.build(options, heard, measured, emission, rig, verdict)
        report |= parts.report
        report["notes"] = [
            *check_notes.notes(heard, measured, emission, report),
            *parts.notes,
            *check_notes.on_verdict(options, report),
        ]
        if options.pictures is not None:
            report["pictures"] = _draw(options.pictures, measured, emission, rig, parts)
    if options.apply and file is not None and verdict is not None:
        check_apply.apply(file, options.recording, verdict, measured, report)
    if options.report is not None:
        report_file.save([report], options.report)
    check_view.show(report, screen.results())
    return 0


def _rig(options: CheckOptions) -> tuple[Rig | None, RigFile | None]:
    """Open the rig; early, so that what cannot be done fails early."""
    if options.apply:
        if options.rig is None:
            raise SettingError("--apply changes a rig file; give it with --rig")
        check_apply.check_new(options.rig, options.recording)
        file = RigFile(options.rig)
        return file.rig, file
    return (None if options.rig is None else documents.rig(options.rig)), None


def _verdict(measured: Measured, rig: Rig, parts: Parts) -> RigVerdict:
    verdict = judge_rig(
        check_report.reached(measured), rig, parts.level_db, is_upside_down=parts.is_upside_down
    )
    hidden = parts.hidden_depth
    return verdict if hidden is None else not_seen(verdict, hidden)


def _draw(
    folder: Path, measured: Measured, emission: Emission, rig: Rig | None, parts: Parts
) -> list[str]:
    from carrierfloor.cli.check_pictures import write_pictures

    drawn = write_pictures(folder, measured, emission, rig, parts.hidden_depth)
    return [str(path) for path in (*drawn, *parts.draw(folder))]
