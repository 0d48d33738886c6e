"""``check --apply``: what a recording says goes into the rig file, once.

The verdict compares what was sent with the rig file that limited it.  When that has been changed,
the same recording says the same again, and would change it a second time.
"""

import zlib
from pathlib import Path

from carrierfloor.cli import check_report, documents
from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.report import Report
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.rig_verdict import RigVerdict

LOOKED_AT = 1 << 20  # bytes at either end, by which recordings are told apart


def check_new(rig: str, recording: Path) -> None:
    """Refuse a recording whose correction is in the rig file already.

    Raises
    ------
    CarrierfloorError
        If it is, or one of the files cannot be read.
    """
    if is_applied(rig, recording):
        raise SettingError(
            f"{rig} is not changed: what {recording} says is in it already; process the audio "
            "with it and record again"
        )


def is_applied(rig: str, recording: Path) -> bool:
    """Tell whether a recording's correction is the last in a rig file."""
    if not documents.is_file(rig):
        return False
    return _mark(recording) in documents.file_text(Path(rig))


def apply(
    file: RigFile, recording: Path, verdict: RigVerdict, measured: Measured, report: Report
) -> None:
    """Put the corrections into the rig file, if the recording can be trusted so far.

    Raises
    ------
    SettingError
        If the signal fades, or the file cannot be written.
    """
    if measured.reference.is_followed:
        raise SettingError(
            f"{file.file} is not changed: the signal fades, so that the recording says too little; "
            "record from a dummy load"
        )
    for correction in verdict.corrections:
        remark = f"by {_mark(recording)}"
        file.set(correction.table, correction.key, correction.new, remark)
    check_report.add_written(report, file.save())


def _mark(recording: Path) -> str:
    """Return words that tell a recording from others, by its size and both its ends."""
    try:
        with recording.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(0)
            begin = file.read(LOOKED_AT)
            file.seek(max(0, size - LOOKED_AT))
            end = file.read()
    except OSError as error:
        raise AudioError(f"{recording}: {error.strerror}") from None
    return f"recording {zlib.crc32(begin + end + str(size).encode()):08x}"
