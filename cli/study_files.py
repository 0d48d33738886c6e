"""Tables of a study on disk, CSV or Parquet, whole or not at all."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from carrierfloor.cli.study_columns import COLUMNS
from carrierfloor.cli.whole_file import beside, check_place
from carrierfloor.dsp.errors import SettingError

CSV, PARQUET = ".csv", ".parquet"
NAMES = [column.name for column in COLUMNS]


def check_path(path: Path) -> None:
    """Refuse, before any work, a table that could not be saved.

    Raises
    ------
    SettingError
        If its ending is unknown, a package for it is missing or its folder cannot be written to.
    """
    check_place("--out", path, (CSV, PARQUET))
    if _is_parquet(path):
        try:
            import pyarrow.parquet  # noqa: F401
        except ImportError:
            raise SettingError(
                f"--out {path}: Parquet needs pyarrow: pip install pyarrow; or give a .csv file"
            ) from None


def read(path: Path) -> list[dict[str, Any]]:
    """Return the rows of a table that :func:`write` wrote.

    Raises
    ------
    SettingError
        If it is another kind of table, or cannot be read.
    """
    try:
        return _read_parquet(path) if _is_parquet(path) else _read_csv(path)
    except OSError as error:
        raise SettingError(f"--out {path}: {error.strerror or error}") from None
    except (ValueError, csv.Error) as error:
        raise SettingError(
            f"--out {path}: is there already and is no table of study ({error}); give another name"
        ) from None


def write(rows: Sequence[Mapping[str, Any]], path: Path) -> None:
    """Write rows with all of ``COLUMNS``; what was there before stays until it is complete.

    Raises
    ------
    SettingError
        If the system does not take it.
    """
    try:
        with beside(path) as part:
            if _is_parquet(path):
                _write_parquet(rows, part)
            else:
                _write_csv(rows, part)
    except OSError as error:
        raise SettingError(f"--out {path}: {error.strerror or error}") from None


def _is_parquet(path: Path) -> bool:
    return path.suffix.lower() == PARQUET


def _write_csv(rows: Sequence[Mapping[str, Any]], part: Path) -> None:
    with part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, NAMES)
        writer.writeheader()
        writer.writerows(rows)


def _read_csv(path: Path) -> list[dict[str, Any]]:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file, strict=True)
        _check_names(reader.fieldnames or [])
        return [_typed(row, reader.line_num) for row in reader]


def _typed(row: Mapping[str, Any], line: int) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for column in COLUMNS:
        text = row[column.name]
        try:
            found[column.name] = column.kind(text) if text else None
        except (TypeError, ValueError):
            raise ValueError(f"line {line}: {column.name} is {text!r}") from None
    return found


def _write_parquet(rows: Sequence[Mapping[str, Any]], part: Path) -> None:
    import pyarrow
    import pyarrow.parquet

    types = {str: pyarrow.string(), float: pyarrow.float64(), int: pyarrow.int64()}
    schema = pyarrow.schema([(column.name, types[column.kind]) for column in COLUMNS])
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(list(rows), schema), part)


def _read_parquet(path: Path) -> list[dict[str, Any]]:
    import pyarrow.parquet

    table = pyarrow.parquet.read_table(path, partitioning=None)  # its errors are ValueErrors
    _check_names(table.column_names)
    rows: list[dict[str, Any]] = table.to_pylist()
    return rows


def _check_names(names: Sequence[str]) -> None:
    if list(names) != NAMES:
        raise ValueError("its columns are others")
