"""A cascade of second-order sections, as the limiter's model of a path runs it.

Four sections are computed together per sample, their states in registers: the recursions then
overlap and a section costs a third of what it costs alone.  A cascade is filled up with
sections that pass everything.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

SECTION = 5  # b0, b1, b2, a1, a2
TOGETHER = 4


def pack_sections(rows: NDArray[np.float64]) -> Block:
    """Flatten rows of (b0, b1, b2, a1, a2), filled up to a multiple of four sections."""
    missing = -len(rows) % TOGETHER
    filler = np.tile([1.0, 0.0, 0.0, 0.0, 0.0], (missing, 1))
    return np.concatenate([np.reshape(rows, (-1, SECTION)), filler]).ravel()


@kernel
def run_cascade(packed: Block, state: Block, block: Block) -> None:
    """Filter a block in place, transposed direct form 2.

    Parameters
    ----------
    packed : ndarray, shape (20 k,)
        From :func:`pack_sections`.
    state : ndarray, shape (8 k,)
        Two numbers a section, zero for a cascade at rest.
    block : ndarray, shape (n,)
        The samples.
    """
    for group in range(packed.shape[0] // (SECTION * TOGETHER)):
        _run_four(packed[20 * group : 20 * group + 20], state[8 * group : 8 * group + 8], block)


@kernel
def _run_four(c: Block, s: Block, block: Block) -> None:
    b00, b01, b02, a01, a02 = c[0], c[1], c[2], c[3], c[4]
    b10, b11, b12, a11, a12 = c[5], c[6], c[7], c[8], c[9]
    b20, b21, b22, a21, a22 = c[10], c[11], c[12], c[13], c[14]
    b30, b31, b32, a31, a32 = c[15], c[16], c[17], c[18], c[19]
    s00, s01, s10, s11 = s[0], s[1], s[2], s[3]
    s20, s21, s30, s31 = s[4], s[5], s[6], s[7]
    for i in range(block.shape[0]):
        x = block[i]
        y = b00 * x + s00
        s00 = b01 * x - a01 * y + s01
        s01 = b02 * x - a02 * y
        x = b10 * y + s10
        s10 = b11 * y - a11 * x + s11
        s11 = b12 * y - a12 * x
        y = b20 * x + s20
        s20 = b21 * x - a21 * y + s21
        s21 = b22 * x - a22 * y
        x = b30 * y + s30
        s30 = b31 * y - a31 * x + s31
        s31 = b32 * y - a32 * x
        block[i] = x
    s[0], s[1], s[2], s[3] = s00, s01, s10, s11
    s[4], s[5], s[6], s[7] = s20, s21, s30, s31
