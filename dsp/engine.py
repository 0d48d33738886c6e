"""The compiled core: runs a chain, held as a table and one arena, without Python.

A row of the table is one stage: which kernel, and where its coefficients and its state lie in
the arena.  The order of the rows is the order of the chain, so the order is data.

What runs the rows is called by its address.  Whatever calls it would else contain all kernels once
more, and every level of calls above would compile them once more.
"""

from collections.abc import Sequence
from functools import cache
from typing import Any

import numpy as np
from llvmlite import ir
from numba import carray, types
from numba.extending import intrinsic
from numpy.typing import NDArray

from carrierfloor.dsp.clipper import clipper_kernel
from carrierfloor.dsp.compressor import compressor_kernel
from carrierfloor.dsp.condition import condition_kernel
from carrierfloor.dsp.drive import drive_kernel
from carrierfloor.dsp.entry import entry_kernel
from carrierfloor.dsp.fader import fader_kernel
from carrierfloor.dsp.gate import gate_kernel
from carrierfloor.dsp.kernel import c_callback, kernel
from carrierfloor.dsp.leveller import leveller_kernel
from carrierfloor.dsp.limiter_kernel import limiter_kernel
from carrierfloor.dsp.low_pass import low_pass_kernel
from carrierfloor.dsp.output import output_kernel
from carrierfloor.dsp.phase_rotation import phase_rotation_kernel
from carrierfloor.dsp.polarity import polarity_kernel
from carrierfloor.dsp.stage import HOP, Block, CompiledStage
from carrierfloor.dsp.sub_audio import sub_audio_kernel
from carrierfloor.dsp.tone import tone_kernel

Table = NDArray[np.int64]

# The number by which `_run_rows` below knows each kernel.
CODES = {
    "entry": 0,
    "condition": 1,
    "tone": 2,
    "gate": 3,
    "leveller": 4,
    "compressor": 5,
    "polarity": 6,
    "phase_rotation": 7,
    "drive": 8,
    "clipper": 9,
    "low_pass": 10,
    "sub_audio": 11,
    "fader": 12,
    "limiter": 13,
    "output": 14,
}

# Columns of the table.
CODE, COEFFICIENTS, COEFFICIENTS_END, STATE, STATE_END, COLUMNS = range(6)

# The queue in front of the chain: a hop of samples, then how many of them are fresh.
QUEUE_SIZE = HOP + 1


def size_of(stages: Sequence[CompiledStage]) -> int:
    """Return how many words of an arena stages take."""
    return sum(len(stage.coefficients) + len(stage.state) for stage in stages)


def place(stages: Sequence[CompiledStage], arena: Block, start: int = 0) -> Table:
    """Move the coefficients and states of stages into an arena.

    Parameters
    ----------
    stages : sequence of CompiledStage
        In their order; they are fresh afterwards.
    arena : ndarray of float64, shape (n,)
        Has room for ``size_of(stages)`` words from ``start`` on.
    start : int
        Where the first one goes.

    Returns
    -------
    ndarray of int64, shape (stages, 5)
        What ``run_rows`` runs.
    """
    rows, end = [], start
    for stage in stages:
        middle = end + len(stage.coefficients)
        last = middle + len(stage.initial_state)
        arena[end:middle], arena[middle:last] = stage.coefficients, stage.initial_state
        stage.coefficients, stage.state = arena[end:middle], arena[middle:last]
        rows.append([CODES[stage.kind], end, middle, middle, last])
        end = last
    return np.array(rows, dtype=np.int64).reshape(-1, COLUMNS)


ROWS_SIGNATURE = types.void(types.voidptr, types.int64, types.voidptr, types.int64, types.voidptr)


@cache
def engine() -> Any:
    """Compile what runs the rows; its ``address`` is good for this process."""
    return c_callback(ROWS_SIGNATURE, _run_rows)


def _run_rows(rows: Any, count: int, words: Any, size: int, samples: Any) -> None:
    """Run the rows of a table over one hop, in place; as C calls it."""
    table = carray(rows, (count, COLUMNS), dtype=np.int64)
    arena = carray(words, (size,), dtype=np.float64)
    hop = carray(samples, (HOP,), dtype=np.float64)
    for row in range(table.shape[0]):
        code = table[row, CODE]
        coefficients = arena[table[row, COEFFICIENTS] : table[row, COEFFICIENTS_END]]
        state = arena[table[row, STATE] : table[row, STATE_END]]
        if code == 0:
            entry_kernel(coefficients, state, hop)
        elif code == 1:
            condition_kernel(coefficients, state, hop)
        elif code == 2:
            tone_kernel(coefficients, state, hop)
        elif code == 3:
            gate_kernel(coefficients, state, hop)
        elif code == 4:
            leveller_kernel(coefficients, state, hop)
        elif code == 5:
            compressor_kernel(coefficients, state, hop)
        elif code == 6:
            polarity_kernel(coefficients, state, hop)
        elif code == 7:
            phase_rotation_kernel(coefficients, state, hop)
        elif code == 8:
            drive_kernel(coefficients, state, hop)
        elif code == 9:
            clipper_kernel(coefficients, state, hop)
        elif code == 10:
            low_pass_kernel(coefficients, state, hop)
        elif code == 11:
            sub_audio_kernel(coefficients, state, hop)
        elif code == 12:
            fader_kernel(coefficients, state, hop)
        elif code == 13:
            limiter_kernel(coefficients, state, hop)
        elif code == 14:
            output_kernel(coefficients, state, hop)


@intrinsic  # type: ignore[untyped-decorator]
def _call(
    _typing: Any, address: Any, rows: Any, count: Any, words: Any, size: Any, samples: Any
) -> Any:
    """Call what lies at an address; a wrong one ends the process."""

    def generate(context: Any, builder: Any, _: Any, values: Any) -> Any:
        arguments = [context.get_value_type(kind) for kind in ROWS_SIGNATURE.args]
        kind = ir.FunctionType(ir.VoidType(), arguments)
        builder.call(builder.inttoptr(values[0], kind.as_pointer()), values[1:])
        return context.get_dummy_value()

    return ROWS_SIGNATURE.return_type(types.int64, *ROWS_SIGNATURE.args), generate


@kernel
def run_rows(engine: int, table: Table, arena: Block, hop: Block) -> None:
    """Run the rows of a table over one hop, in place.

    Parameters
    ----------
    engine : int
        Address of :func:`engine`.
    table : ndarray of int64, shape (stages, 5)
        See the columns above.
    arena : ndarray of float64, shape (n,)
        Coefficients and states.
    hop : ndarray of float64, shape (HOP,)
        The samples.
    """
    _call(engine, table.ctypes, table.shape[0], arena.ctypes, arena.shape[0], hop.ctypes)


@kernel
def run_stream(engine: int, table: Table, arena: Block, queue: Block, block: Block) -> None:
    """Run a whole chain over a block of any length, in place, ``HOP`` samples late.

    Samples are exchanged with the queue one by one and the rows run whenever it is full, so
    the rows see the same hops however the stream is cut.
    """
    fresh = int(queue[HOP])
    done = 0
    while done < block.shape[0]:
        count = min(HOP - fresh, block.shape[0] - done)
        exchange(block[done : done + count], queue[fresh : fresh + count])
        done += count
        fresh += count
        if fresh == HOP:
            run_rows(engine, table, arena, queue[:HOP])
            fresh = 0
    queue[HOP] = float(fresh)


@kernel
def exchange(new: Block, old: Block) -> None:
    """Swap the samples of two blocks of the same length."""
    for i in range(new.shape[0]):
        sample = new[i]
        new[i] = old[i]
        old[i] = sample
