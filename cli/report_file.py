"""Saving reports, as JSON or CSV, whole or not at all."""

import csv
import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from carrierfloor.cli.report import Report
from carrierfloor.cli.whole_file import beside, check_place
from carrierfloor.dsp.errors import SettingError

FORMATS = (".json", ".csv")


def save(
    reports: Sequence[Report],
    path: Path,
    failures: Sequence[Mapping[str, str]] = (),
    *,
    many: bool = False,
) -> None:
    """Save one report, or with ``many`` any number and what failed, as JSON or CSV by the ending.

    Raises
    ------
    SettingError
        If the file cannot be written.
    """
    try:
        with beside(path) as part, part.open("w", encoding="utf-8", newline="") as file:
            if path.suffix.lower() == ".csv":
                _save_csv(reports, failures, file)
            else:
                content = {"files": reports, "failures": failures} if many else reports[0]
                json.dump(content, file, indent=2, allow_nan=False)
                file.write("\n")
    except OSError as error:
        raise SettingError(f"--report {path}: {error.strerror}") from None


def check_path(path: Path) -> None:
    """Refuse, before any work, a report that could not be saved.

    Raises
    ------
    SettingError
        If its ending is unknown or its folder cannot be written to.
    """
    check_place("--report", path, FORMATS)


def _save_csv(reports: Sequence[Report], failures: Sequence[Mapping[str, str]], file: Any) -> None:
    rows = [dict(flatten(report)) for report in reports]
    rows += [{"input.file": item["file"], "error": item["message"]} for item in failures]
    columns = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.DictWriter(file, columns)
    writer.writeheader()
    writer.writerows(rows)


def flatten(report: Mapping[str, Any], head: str = "") -> Iterator[tuple[str, Any]]:
    """Yield dotted keys and values; lists as text, joined by semicolons."""
    for key, value in report.items():
        if isinstance(value, Mapping):
            yield from flatten(value, f"{head}{key}.")
        else:
            text = "; ".join(map(str, value)) if isinstance(value, list) else value
            yield f"{head}{key}", text
