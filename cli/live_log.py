"""The record of a live session: a row a second, and one for everything that happens.

Every row is given to the operating system at once, so that a program that is killed loses at most
the second it was in.
"""

import csv
import io
import json
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Self

from carrierfloor.cli.live_events import EVENTS, events_between
from carrierfloor.cli.live_rows import KEYS, Row, row_of
from carrierfloor.cli.live_status import LiveStatus
from carrierfloor.dsp.errors import SettingError

FORMATS = (".jsonl", ".csv")
LOG_KEYS = {
    "event": f"null in the row of each second; else one of: {', '.join(EVENTS)}",
    "detail": "of the event, in words",
    **KEYS,
}


class LiveLog:
    """Write a log, as JSON lines or CSV by the file's ending; the keys are ``LOG_KEYS``.

    Parameters
    ----------
    path : Path
        The file to be made.

    Attributes
    ----------
    problem : str
        Why the log ended early, such as a full disk; empty if it did not.  The session goes on.

    Raises
    ------
    SettingError
        If the ending is another one, the file exists, or it cannot be made.
    """

    def __init__(self, path: Path) -> None:
        if path.suffix.lower() not in FORMATS:
            raise SettingError(f"--log {path}: the ending must be .jsonl or .csv")
        try:
            self._file = path.open("x", encoding="utf-8", newline="")
        except FileExistsError:
            raise SettingError(
                f"--log {path}: there is such a file already, and it is not overwritten; "
                "give another name"
            ) from None
        except OSError as error:
            raise SettingError(f"--log {path}: cannot write there: {error.strerror}") from None
        self._path = path
        self._is_csv = path.suffix.lower() == ".csv"
        self._before: LiveStatus | None = None
        self._second: int | None = None
        self.problem = ""
        if self._is_csv:
            self._write(_csv_line(list(LOG_KEYS)))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def show(self, status: LiveStatus) -> None:
        """Take a moment; what happened since the last one is found by comparing the two."""
        for event in events_between(self._before, status):
            self._add({"event": event.name, "detail": event.detail, **row_of(status)})
        second = int(status.elapsed_s)
        if second != self._second:
            self._add({"event": None, "detail": None, **row_of(status)})
        self._before, self._second = status, second

    def close(self) -> None:
        """Close the file; one that got no row is removed again."""
        with suppress(OSError):  # every row was flushed; there is nothing more to lose
            self._file.close()
            if self._before is None:
                self._path.unlink(missing_ok=True)

    def _add(self, row: Row) -> None:
        if self._is_csv:
            self._write(_csv_line(list(row.values())))
        else:
            self._write(json.dumps(row, allow_nan=False) + "\n")

    def _write(self, line: str) -> None:
        if self.problem:
            return
        try:
            self._file.write(line)
            self._file.flush()
        except OSError as error:
            self.problem = f"--log {self._path}: {error.strerror or error}; the log ends here"
            with suppress(OSError):
                self._file.close()


def _csv_line(values: list[object]) -> str:
    """Return values as a line of CSV; true and false as in JSON."""
    words = [str(value).lower() if isinstance(value, bool) else value for value in values]
    line = io.StringIO()
    csv.writer(line, lineterminator="\n").writerow(words)
    return line.getvalue()
