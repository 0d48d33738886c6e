"""Parallel processes for many tasks: progress, failures, and a clean end on Ctrl-C.

Only this process hears Ctrl-C; it sets an event, the others meet it the next time they report
progress and leave as from any error, so that no half-written file stays behind.  If this process
is killed, they see it and leave in the same way.
"""

import os
import signal
import threading
import traceback
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from typing import Any, Protocol, TypeVar

from carrierfloor.cli import screen
from carrierfloor.cli.job import Progress
from carrierfloor.dsp.errors import CarrierfloorError

POLL_S = 0.1


class Named(Protocol):
    """A task; it goes to another process, so it must be pickleable."""

    @property
    def name(self) -> str:
        """What it is called where it fails."""


@dataclass(frozen=True)
class Failure:
    """Why a task, such as a file, gave nothing."""

    file: str
    message: str


T = TypeVar("T", bound=Named)
R = TypeVar("R")


def run_all(
    tasks: Sequence[T],
    work: Callable[[T, Progress], R],
    jobs: int,
    *,
    title: str,
    finished: Callable[[int, R | Failure], None] = lambda number, result: None,
) -> list[R | Failure]:
    """Do all tasks, a number of them at once; return a result or a failure for each.

    Parameters
    ----------
    tasks : sequence
        In any order that makes sense; they are begun in it.
    work : callable
        A function of a module, which is found by its name in the other process.  Refusals become
        failures; a bug does too, with a traceback on the terminal.
    jobs : int
        Processes at most.
    title : str
        Beside the progress bar.
    finished : callable
        Gets the number and the result of each task as soon as there is one.

    Raises
    ------
    KeyboardInterrupt
        After Ctrl-C, when all processes have cleaned up.
    """
    context = get_context("spawn")  # the same on all systems, and safe with threads
    stop: Any = context.Event()
    parts: Any = context.Array("d", len(tasks))
    as_before = signal.getsignal(signal.SIGINT)
    with (
        _on_interrupt(signal.SIG_IGN),  # inherited by the processes, which start here
        ProcessPoolExecutor(min(jobs, len(tasks)), context, _start, (stop, parts)) as pool,
    ):
        futures = [pool.submit(_one, number, task, work) for number, task in enumerate(tasks)]
        try:
            with _on_interrupt(as_before):
                return watch(futures, tasks, title, finished, lambda: sum(parts))
        except BaseException:
            stop.set()
            pool.shutdown(wait=True, cancel_futures=True)
            raise


def watch(
    futures: Sequence[Future[R | Failure]],
    tasks: Sequence[Named],
    title: str,
    finished: Callable[[int, R | Failure], None],
    parts_done: Callable[[], float] | None = None,
) -> list[R | Failure]:
    """Show a bar until all is done; return the results.

    Parameters
    ----------
    futures, tasks : sequence
        In the same order.
    title : str
        Beside the bar.
    finished : callable
        Gets number and result of each as soon as it is there.
    parts_done : callable, optional
        Says how many tasks are done, as a number that may have a fraction.
    """
    numbers = {future: number for number, future in enumerate(futures)}
    results: dict[int, R | Failure] = {}
    with screen.progress_bar() as bar:
        shown = bar.add_task(title, total=len(futures))
        pending = set(futures)
        while pending:
            done, pending = wait(pending, timeout=POLL_S)
            for future in sorted(done, key=numbers.__getitem__):
                number = numbers[future]
                results[number] = _result(future, tasks[number].name)
                finished(number, results[number])
            bar.update(shown, completed=parts_done() if parts_done else len(results))
    return [results[number] for number in range(len(futures))]


def _result(future: Future[R | Failure], name: str) -> R | Failure:
    try:
        return future.result()
    except BrokenProcessPool:
        return Failure(name, "its process ended without a word; out of memory?")


def attempt(task: T, work: Callable[[T, Progress], R], progress: Progress) -> R | Failure:
    """Do one task; a failure is a result like any other."""
    try:
        return work(task, progress)
    except CarrierfloorError as error:
        return Failure(task.name, str(error))
    except KeyboardInterrupt:
        return Failure(task.name, "interrupted")
    except Exception as error:  # a bug: say where, go on with the others
        traceback.print_exc()
        return Failure(task.name, f"internal error: {error!r}")


# In the other processes.

_stop: Any = None
_parts: Any = None
_at_work = threading.Lock()


def _start(stop: Any, parts: Any) -> None:
    global _stop, _parts
    _stop, _parts = stop, parts
    threading.Thread(target=_leave_with_parent, daemon=True).start()


def _leave_with_parent() -> None:
    """End this process when the one that started it is gone; it would wait for tasks for ever."""
    parent = parent_process()
    assert parent is not None
    parent.join()
    _stop.set()
    with _at_work:
        os._exit(1)


def _one(number: int, task: T, work: Callable[[T, Progress], R]) -> R | Failure:
    def progress(part: float) -> None:
        _parts[number] = part
        if _stop.is_set():
            raise KeyboardInterrupt

    with _at_work:
        try:
            return attempt(task, work, progress)
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
