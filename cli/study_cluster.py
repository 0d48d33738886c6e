"""The cells of a study on a Dask cluster, through the executor of dask.distributed.

All that a worker needs goes to it: the settings with each cell, the samples of a phrase once.  It
reads no file of ours, so the machines share no disk; they share the version of carrierfloor.
"""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import numpy as np

from carrierfloor.cli.pool import Failure, attempt, watch
from carrierfloor.cli.study_grid import Cell, code_version
from carrierfloor.cli.study_work import Row, rows_of
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import Block

LARGEST_PHRASE = "100 MB"  # more than two minutes take
ANSWER_S = 10.0  # for the scheduler, and for a worker to be there


def try_all(
    address: str,
    cells: Sequence[Cell],
    *,
    title: str,
    finished: Callable[[int, list[Row] | Failure], None],
) -> list[list[Row] | Failure]:
    """Try all cells on the workers of a cluster; as ``pool.run_all`` does on this machine.

    Raises
    ------
    SettingError
        If the cluster does not answer, goes away, or its workers cannot do it.
    """
    with _client(address) as client:
        import dask

        _check_workers(client, address)
        executor = client.get_executor()
        samples = {cell.phrase.digest: cell.phrase.samples for cell in cells}
        # A task that gives its own argument: when the worker that keeps it dies, the scheduler has
        # it done once more.  What is scattered would be lost.
        with dask.config.set({"distributed.admin.large-graph-warning-threshold": LARGEST_PHRASE}):
            there = {key: client.submit(_kept, block) for key, block in samples.items()}
        futures: list[Future[Any]] = [
            executor.submit(_one, _light(cell), there[cell.phrase.digest]) for cell in cells
        ]
        try:
            return watch(futures, cells, title, finished)
        except CancelledError:
            raise SettingError(f"--cluster {address}: the cluster has gone away") from None
        finally:
            for future in futures:
                future.cancel()


def _light(cell: Cell) -> Cell:
    return replace(cell, phrase=replace(cell.phrase, samples=np.zeros(0)))


@contextmanager
def _client(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError:
        raise SettingError(
            f'--cluster {address}: needs dask.distributed: pip install "dask[distributed]"'
        ) from None
    try:
        client = Client(address, timeout=ANSWER_S)
    except (OSError, ValueError) as error:
        raise SettingError(
            f"--cluster {address}: no scheduler answers there ({error}); give host:port of a "
            "running dask scheduler"
        ) from None
    with client:
        yield client


def _check_workers(client: Any, address: str) -> None:
    """Wait for a worker; refuse those that would compute something else."""
    try:
        client.wait_for_workers(1, timeout=ANSWER_S)
    except TimeoutError:
        raise SettingError(
            f"--cluster {address}: it has no workers; start some where this version of "
            f"carrierfloor is installed: dask worker {address} --nthreads 1"
        ) from None
    try:
        versions: dict[str, str] = client.run(code_version)
    except ImportError:
        raise SettingError(
            f"--cluster {address}: its workers have no carrierfloor; install it there too"
        ) from None
    for worker, found in versions.items():
        if found != code_version():
            raise SettingError(
                f"--cluster {address}: worker {worker} has carrierfloor {found}, here it is "
                f"{code_version()}; install the same"
            )


def _kept(samples: Block) -> Block:
    return samples


def _one(cell: Cell, samples: Block) -> list[Row] | Failure:
    """Try one cell, on the worker."""
    whole = replace(cell, phrase=replace(cell.phrase, samples=np.array(samples)))
    return attempt(whole, rows_of, lambda part: None)
