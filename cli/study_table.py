"""The table of a study while it grows: what is known, what is missing, what follows from it."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from carrierfloor.cli import study_files
from carrierfloor.cli.study_columns import GAINS
from carrierfloor.cli.study_grid import Cell, code_version
from carrierfloor.cli.study_work import Row
from carrierfloor.dsp.errors import SettingError


class StudyTable:
    """The rows of a grid, kept in a file.

    A row is known by the key of its cell, a digest of contents, and its ratio.  Names and gains
    are no measurements: they are put in anew whenever the table is written.

    Parameters
    ----------
    cells : sequence of Cell
        The whole grid.
    file : Path
        Rows that are in it already are taken over.

    Raises
    ------
    SettingError
        If the file holds rows of another grid, or is no such table.
    """

    def __init__(self, cells: Sequence[Cell], file: Path) -> None:
        self._cells = {cell.key: cell for cell in cells}
        self._file = file
        self._rows: dict[tuple[str, float], Row] = {}
        self._wanted = {(cell.key, ratio_db) for cell in cells for ratio_db in cell.ratios_db}
        self._written: tuple[int, ...] | None = None
        self._take_over()

    def __len__(self) -> int:
        return len(self._rows)

    @property
    def size(self) -> int:
        """How many rows the whole grid has."""
        return len(self._wanted)

    def missing(self) -> list[Cell]:
        """Return the cells that still have to be tried, with the ratios that are missing."""
        open_cells = []
        for cell in self._cells.values():
            ratios_db = tuple(r for r in cell.ratios_db if (cell.key, r) not in self._rows)
            if ratios_db:
                open_cells.append(replace(cell, ratios_db=ratios_db))
        return open_cells

    def add(self, rows: Iterable[Row]) -> None:
        """Take measured rows."""
        self._rows |= {_place(row): row for row in rows}

    def save(self) -> None:
        """Write all rows there are, in the order of the grid.

        What another run has written to the file meanwhile is kept.

        Raises
        ------
        SettingError
            If the system does not take them, or the file has become another table.
        """
        if self._stamp() != self._written:
            self._take_over()
        study_files.write(self.rows(), self._file)
        self._written = self._stamp()

    def rows(self) -> list[dict[str, Any]]:
        """Return all rows there are, in the order of the grid, with names and gains."""
        return [
            self._whole(self._rows[cell.key, ratio_db], cell)
            for cell in self._cells.values()
            for ratio_db in cell.ratios_db
            if (cell.key, ratio_db) in self._rows
        ]

    def _take_over(self) -> None:
        """Take the rows that are in the file, if there is one."""
        if not self._file.exists():
            return
        found = study_files.read(self._file)
        others = [row for row in found if _place(row) not in self._wanted]
        if others:
            raise SettingError(
                f"--out {self._file}: {len(others)} of its {len(found)} rows belong to another "
                "grid (other settings, sounds, ratios or version of carrierfloor); give another "
                "name, or move it away"
            )
        self.add(found)

    def _stamp(self) -> tuple[int, ...] | None:
        """Return what changes when somebody writes the file; ``None`` if there is none."""
        try:
            found = self._file.stat()
        except OSError:
            return None
        return found.st_ino, found.st_size, found.st_mtime_ns

    def _whole(self, row: Row, cell: Cell) -> dict[str, Any]:
        setting = cell.setting
        return {
            **row,
            "voice": setting.voice_name,
            "drive_db": setting.drive_db,
            "rig": setting.rig_name,
            "phrase": cell.phrase.name,
            "version": code_version(),
            **{gain: self._gain_db(row, cell, needed) for gain, needed in GAINS.items()},
        }

    def _gain_db(self, row: Row, cell: Cell, needed: str) -> float | None:
        """Hold a cell against the same phrase unprocessed, where both are there."""
        reference = self._cells[cell.reference]
        known = [self._rows.get((reference.key, ratio_db)) for ratio_db in reference.ratios_db]
        before_db = next((found[needed] for found in known if found), None)
        after_db = row[needed]
        return None if before_db is None or after_db is None else round(before_db - after_db, 3)


def _place(row: Row) -> tuple[str, float]:
    return row["key"], row["carrier_to_noise_db"]
