"""Fader: the ramps at the ends of a recording, ahead of the limiter.

A recording that begins or ends in the middle of a sound has a step at its edge, and so would
the antenna.  The fader knows how late it is and cuts exactly at the recording's edges.
"""

import math

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block, CompiledStage

EDGE_SAMPLES = 240  # length of a ramp, 5 ms

# State, all counted in samples at the fader.
POSITION = 0  # of the next sample
BEGIN = 1  # the first sample of the recording
FADE = 2  # where the ramp at the end begins
END = 3  # the first sample after the recording
NEVER = 1e18


def build_fader(late_samples: int) -> CompiledStage:
    """Make a fader whose input is ``late_samples`` behind the chain's."""
    state = np.array([0.0, float(late_samples), NEVER, NEVER])
    return CompiledStage("fader", fader_kernel, np.zeros(0), state)


def end_fader(state: Block, end: int) -> None:
    """Make the fader reach silence at sample ``end``, counted at the fader.

    The ramp is shorter where less than ``EDGE_SAMPLES`` are left.
    """
    state[END] = max(float(end), state[POSITION])
    state[FADE] = max(state[END] - EDGE_SAMPLES, state[POSITION])


@kernel
def fader_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Multiply the block by raised-cosine ramps, in place."""
    begin, fade, end = state[BEGIN], state[FADE], state[END]
    for i in range(block.shape[0]):
        position = state[POSITION] + i
        if position < begin or position >= end:
            block[i] = 0.0
            continue
        if position < begin + EDGE_SAMPLES:
            done = (position - begin + 0.5) / EDGE_SAMPLES
            block[i] *= 0.5 - 0.5 * math.cos(math.pi * done)
        if position >= fade:
            left = (end - position - 0.5) / (end - fade)
            block[i] *= 0.5 - 0.5 * math.cos(math.pi * left)
    state[POSITION] += block.shape[0]
