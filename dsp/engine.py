"""The compiled core: runs a chain, held as a table and one arena, without Python.

A row of the table is one stage: which kernel, and where its coefficients and its state lie in
the arena.  The order of the rows is the order of the chain, so the order is data.
"""

from carrierfloor.dsp.drive import drive_kernel
from carrierfloor.dsp.kernel import kernel

# The row of the table that a kernel answers to; `_run_row` below must agree.
CODES = {
    "drive": 0,
}

# Columns of the table.
CODE, COEFFICIENTS, COEFFICIENTS_END, STATE, STATE_END = range(5)

LARGEST_INPUT = 1000.0  # 60 dB over full scale; anything beyond is no audio


@kernel
def run_rows(table, arena, hop):  # type: ignore[no-untyped-def]
    """Run all rows of a table over one hop, in place."""
    for row in range(table.shape[0]):
        code = table[row, CODE]
        coefficients = arena[table[row, COEFFICIENTS] : table[row, COEFFICIENTS_END]]
        state = arena[table[row, STATE] : table[row, STATE_END]]
        if code == 0:
            drive_kernel(coefficients, state, hop)
