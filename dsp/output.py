"""Output: from modulation to sound-card samples, and the guard that fails silent."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import HOP, Block, CompiledStage

# Coefficients: the scale, then a cascade.
SCALE = 0
SECTIONS = 1
# State: latch, readings, then the sections' state.
FAULT = 0  # 1.0 once something impossible was seen; silence from then on
PEAK, ENERGY, COUNT = 1, 2, 3
OWN = 4


def build_output(sample_at_full_modulation: float, sections: NDArray[np.float64]) -> CompiledStage:
    """Make the output stage.

    Parameters
    ----------
    sample_at_full_modulation : float
        The sample value, with sign, that makes 100 % at 1 kHz.
    sections : ndarray, shape (n, 5)
        A filter for outputs with a low sample rate and the rig's equaliser, if any; the limiter
        holds the same in its model.
    """
    return CompiledStage(
        "output",
        output_kernel,
        np.concatenate([[sample_at_full_modulation], cascade(sections)]),
        np.concatenate([np.zeros(OWN), cascade_state(len(sections))]),
        read_meters=_meters,
    )


def _meters(state: Block) -> Mapping[str, float]:
    return {
        "peak": float(state[PEAK]),
        "rms": float(np.sqrt(state[ENERGY] / max(state[COUNT], 1.0))),
        "fault": float(state[FAULT]),
    }


@kernel
def output_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Filter and scale in place; a sample that cannot be is a fault, and silences the chain."""
    biquad_kernel(coefficients[SECTIONS:], state[OWN:], block)
    scale = coefficients[SCALE]
    peak, energy = 0.0, 0.0
    for i in range(block.shape[0]):
        block[i] *= scale
        peak = max(peak, abs(block[i]))
        energy += block[i] * block[i]
    # Written so that a NaN, which compares false, is a fault too.
    if not (peak <= 1.0 and energy <= HOP):
        state[FAULT] = 1.0
    if state[FAULT] != 0.0:
        block[:] = 0.0
        return
    state[PEAK] = max(state[PEAK], peak)
    state[ENERGY] += energy
    state[COUNT] += block.shape[0]
