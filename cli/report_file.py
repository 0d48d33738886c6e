"""Saving reports, as JSON or CSV, whole or not at all."""

import csv
import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from carrierfloor.cli.report import Report
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
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            if path.suffix.lower() == ".csv":
                _save_csv(reports, failures, file)
            else:
                content = {"files": reports, "failures": failures} if many else reports[0]
                json.dump(content, file, indent=2, allow_nan=False)
                file.write("\n")
        os.replace(part, path)
    except OSError as error:
        raise SettingError(f"--report {path}: {error.strerror}") from None
    finally:
        with suppress(OSError):
            part.unlink()


def check_path(path: Path) -> None:
    """Refuse, before any work, a report that could not be saved.

    Raises
    ------
    SettingError
        If its ending is unknown or its folder cannot be written to.
    """
    if path.suffix.lower() not in FORMATS:
        raise SettingError(f"--report {path}: the ending must be .json or .csv")
    if not path.parent.is_dir():
        raise SettingError(f"--report {path}: there is no folder {path.parent}")
    if path.is_dir() or not os.access(path.parent, os.W_OK):
        raise SettingError(f"--report {path}: cannot write there")


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
