"""Ring-out: what a path still does after its input has gone silent.

The output of a silent path is linear in its state, so a few hundred moments of its future are a
few hundred rows, worked out once; one product with the state then tells whether the path stays
within its ceilings for ever.
"""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.biquad import FIRST_SECTION, SECTION_SIZE
from carrierfloor.dsp.stage import Block

FIRST_STEP = 4  # samples between the first moments
GROWTH = 0.02  # then each step is this part of the time gone by
FLOOR = 1e-4  # the future ends when every state has decayed to this


def ring_out_rows(packed: Block) -> NDArray[np.float64]:
    """Return the future of a silent cascade as rows.

    Parameters
    ----------
    packed : ndarray
        From :func:`carrierfloor.dsp.biquad.cascade`.

    Returns
    -------
    ndarray, shape (states, moments)
        ``state @ rows`` is the output at each moment, the first one sample from now.
    """
    output, step = _state_space(packed)
    moments = _moments(step)
    rows = np.empty((len(output), len(moments)))
    powers: dict[int, NDArray[np.float64]] = {}
    future, now = output, 0
    for column, moment in enumerate(moments):
        jump = moment - now
        if jump not in powers:
            powers[jump] = np.linalg.matrix_power(step, jump)
        future = future @ powers[jump]
        now = moment
        rows[:, column] = future
    return rows


def _moments(step: NDArray[np.float64]) -> list[int]:
    slowest = float(np.max(np.abs(np.linalg.eigvals(step)), initial=0.0))
    end = int(np.log(FLOOR) / np.log(slowest)) if slowest > 0.0 else 0
    moments = [0]
    while moments[-1] < end:
        moments.append(moments[-1] + max(FIRST_STEP, int(GROWTH * moments[-1])))
    return moments


def _state_space(packed: Block) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the output row and the state matrix of a cascade with no input."""
    sections = packed[FIRST_SECTION:].reshape(-1, SECTION_SIZE)
    size = 2 * len(sections)
    output, step = np.zeros(size), np.zeros((size, size))
    for column in range(size):
        state = np.zeros(size)
        state[column] = 1.0
        signal = 0.0
        for n, (b0, b1, b2, a1, a2) in enumerate(sections):
            result = b0 * signal + state[2 * n]
            step[2 * n, column] = b1 * signal - a1 * result + state[2 * n + 1]
            step[2 * n + 1, column] = b2 * signal - a2 * result
            signal = result
        output[column] = signal
    return output, step
