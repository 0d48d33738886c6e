"""Parallel processes for many files: progress, failures, and a clean end on Ctrl-C.

Only this process hears Ctrl-C; it sets an event, the others meet it at their next block and
leave as from any error, so that no half-written file stays behind.
"""

import signal
import traceback
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

from carrierfloor.cli import screen
from carrierfloor.cli.job import Options
from carrierfloor.cli.one_file import complete
from carrierfloor.cli.report import Report
from carrierfloor.dsp.errors import CarrierfloorError

POLL_S = 0.1


@dataclass(frozen=True)
class Task:
    """One file."""

    source: Path
    target: Path
    pictures: Path | None = None  # folder for them


@dataclass(frozen=True)
class Failure:
    """Why a file gave no output."""

    file: str
    message: str


def run_all(tasks: Sequence[Task], options: Options, jobs: int) -> list[Report | Failure]:
    """Process all files; return a report or a failure for each.

    Raises
    ------
    KeyboardInterrupt
        After Ctrl-C, when all processes have cleaned up.
    """
    context = get_context("spawn")  # the same on all systems, and safe with threads
    stop, parts = context.Event(), context.Array("d", len(tasks))
    as_before = signal.getsignal(signal.SIGINT)
    with (
        _on_interrupt(signal.SIG_IGN),  # inherited by the processes, which start here
        ProcessPoolExecutor(min(jobs, len(tasks)), context, _start, (stop, parts)) as pool,
    ):
        futures = [pool.submit(_one, number, task, options) for number, task in enumerate(tasks)]
        try:
            with _on_interrupt(as_before):
                _watch(futures, parts)
        except KeyboardInterrupt:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise
        return [_result(f, task.source) for f, task in zip(futures, tasks, strict=True)]


def _watch(futures: Sequence[Future[Report | Failure]], parts: Any) -> None:
    """Show a bar until all is done."""
    with screen.progress_bar() as bar:
        task = bar.add_task(f"{len(futures)} files", total=len(futures))
        pending = set(futures)
        while pending:
            _, pending = wait(pending, timeout=POLL_S)
            bar.update(task, completed=sum(parts))


def _result(future: Future[Report | Failure], source: Path) -> Report | Failure:
    try:
        return future.result()
    except BrokenProcessPool:
        return Failure(str(source), "its process ended without a word; out of memory?")


# In the other processes.

_stop: Any = None
_parts: Any = None


def _start(stop: Any, parts: Any) -> None:
    global _stop, _parts
    _stop, _parts = stop, parts


def _one(number: int, task: Task, options: Options) -> Report | Failure:
    """Process one file; a failure is a result like any other."""

    def progress(part: float) -> None:
        _parts[number] = part
        if _stop.is_set():
            raise KeyboardInterrupt

    try:
        return complete(task.source, task.target, options, task.pictures, progress)
    except CarrierfloorError as error:
        return Failure(str(task.source), str(error))
    except KeyboardInterrupt:
        return Failure(str(task.source), "interrupted")
    except Exception as error:  # a bug: say where, go on with the other files
        traceback.print_exc()
        return Failure(str(task.source), f"internal error: {error!r}")
    finally:
        _parts[number] = 1.0


@contextmanager
def _on_interrupt(handler: Any) -> Iterator[None]:
    """Let Ctrl-C do something else in a ``with`` statement."""
    before = signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
