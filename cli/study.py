"""The command ``study``: a grid of settings and phrases, in parallel, into one table."""

import os
from collections.abc import Callable, Sequence
from pathlib import Path

from rich.text import Text

from carrierfloor.cli import screen, study_files, study_summary
from carrierfloor.cli.job import Options
from carrierfloor.cli.pool import Failure, run_all
from carrierfloor.cli.process import compile_first
from carrierfloor.cli.screen import BAD, GOOD
from carrierfloor.cli.study_grid import Cell, Choice, grid_of
from carrierfloor.cli.study_table import StudyTable
from carrierfloor.cli.study_work import Row, rows_of
from carrierfloor.cli.whole_file import check_folder
from carrierfloor.dsp.errors import SettingError

Finished = Callable[[int, list[Row] | Failure], None]


def study(
    choice: Choice,
    out: Path,
    *,
    plots: Path | None = None,
    jobs: int | None = None,
    cluster: str | None = None,
) -> int:
    """Try every setting on every phrase; what ``out`` holds already is not done again.

    Parameters
    ----------
    choice : Choice
        The grid.
    out : Path
        The table, .csv or .parquet.  It is written again whenever a cell is finished, as a whole.
    plots : Path, optional
        Folder for pictures.
    jobs : int, optional
        Processes on this machine; as many as there are processors by default.
    cluster : str, optional
        Address of a Dask scheduler whose workers do it instead.

    Returns
    -------
    int
        Exit status: 0, or 2 if a cell failed.

    Raises
    ------
    CarrierfloorError
        If nothing can be done.
    """
    _check(out, plots, jobs, cluster)
    cells = grid_of(choice)
    table = StudyTable(cells, out)
    failures = _complete(table, out, jobs or os.cpu_count() or 1, cluster)
    if plots is not None:  # before anything is printed: whoever reads that may have enough of it
        from carrierfloor.cli.study_pictures import write_pictures

        write_pictures(plots, table.rows())
    console = screen.results()
    study_summary.show(table.rows(), console)
    for failure in failures:
        console.print(Text.assemble((f"{failure.file}: ", "bold"), (failure.message, BAD)))
    words = f"{len(table)} of {table.size} rows are in {out}"
    console.print(Text(words, style=BAD if failures else GOOD))
    return 2 if failures else 0


def _check(out: Path, plots: Path | None, jobs: int | None, cluster: str | None) -> None:
    study_files.check_path(out)
    if plots is not None:
        check_folder("--plots", plots)
    if jobs is not None and jobs < 1:
        raise SettingError(f"--jobs is {jobs}; it must be 1 or more")
    if jobs is not None and cluster is not None:
        raise SettingError("--jobs is for this machine; a cluster has as many as it has workers")


def _complete(table: StudyTable, out: Path, jobs: int, cluster: str | None) -> list[Failure]:
    """Try what is missing; return what failed."""
    cells = table.missing()
    if not cells:
        return []
    if len(table):
        screen.remarks().print(f"{len(table)} of {table.size} rows are in {out}; now the rest.")

    def finished(number: int, result: list[Row] | Failure) -> None:
        if not isinstance(result, Failure):
            table.add(result)
            table.save()

    try:
        results = _try_all(cells, finished, jobs, cluster)
    except BaseException:
        if len(table):
            words = f"{len(table)} of {table.size} rows are in {out}"
            screen.remarks().print(f"{words}; the same command goes on from there.")
        raise
    return [result for result in results if isinstance(result, Failure)]


def _try_all(
    cells: Sequence[Cell], finished: Finished, jobs: int, cluster: str | None
) -> Sequence[list[Row] | Failure]:
    title = f"{len(cells)} cells"
    if cluster is None:
        compile_first(Options())  # once, not in every process
        return run_all(cells, rows_of, jobs, title=title, finished=finished)
    from carrierfloor.cli.study_cluster import try_all

    return try_all(cluster, cells, title=title, finished=finished)
