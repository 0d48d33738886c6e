"""Entry: what every hop passes first, so that no stage ever sees a value that is no audio."""

from collections.abc import Mapping

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block, CompiledStage

LARGEST_SAMPLE = 1000.0  # 60 dB over full scale; anything beyond is no audio

PEAK, ENERGY, COUNT, NONFINITE, CLAMPED = range(5)  # state


def build_entry() -> CompiledStage:
    """Make the entry."""
    return CompiledStage("entry", entry_kernel, np.zeros(0), np.zeros(5), read_meters=_meters)


def _meters(state: Block) -> Mapping[str, float]:
    return {
        "peak": float(state[PEAK]),
        "rms": float(np.sqrt(state[ENERGY] / max(state[COUNT], 1.0))),
        "nonfinite_samples": float(state[NONFINITE]),
        "clamped_samples": float(state[CLAMPED]),
    }


@kernel
def entry_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Replace what is not finite by 0, hold the rest within 60 dB over full scale, in place."""
    for i in range(block.shape[0]):
        value = block[i]
        if not np.isfinite(value):
            value = 0.0
            state[NONFINITE] += 1.0
        if abs(value) > LARGEST_SAMPLE:
            value = LARGEST_SAMPLE if value > 0.0 else -LARGEST_SAMPLE
            state[CLAMPED] += 1.0
        block[i] = value
        state[PEAK] = max(state[PEAK], abs(value))
        state[ENERGY] += value * value
    state[COUNT] += block.shape[0]
