"""Crossover: a signal in two bands that add up to what went in, but for phase.

Each band passes two equal second-order Butterworth filters (S. H. Linkwitz, "Active crossover
networks for noncoincident drivers", J. Audio Eng. Soc. 24(1), 1976): both are 6 dB down at the
crossover and in phase everywhere, so that their sum is an all-pass.
"""

import numpy as np

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.sections import BUTTERWORTH_Q, Section
from carrierfloor.dsp.stage import Block

SECTIONS = 2  # of each band
COEFFICIENTS = len(cascade([np.zeros(5)] * SECTIONS))  # of each band
STATE = len(cascade_state(SECTIONS))  # of each band


def crossover_coefficients(crossover_hz: float) -> Block:
    """Return the coefficients of the low band, then of the high band."""
    return np.concatenate(
        [
            cascade([digital(Section(kind=kind, corner_hz=crossover_hz, q=BUTTERWORTH_Q))] * 2)
            for kind in ("lowpass", "highpass")
        ]
    )


def crossover_state() -> Block:
    """Return the memories of both bands at rest."""
    return np.zeros(2 * STATE)


@kernel
def split(coefficients: Block, state: Block, block: Block, low: Block, high: Block) -> None:
    """Write both bands of the block, each of its length."""
    for i in range(block.shape[0]):
        low[i] = block[i]
        high[i] = block[i]
    biquad_kernel(coefficients[:COEFFICIENTS], state[:STATE], low)
    biquad_kernel(coefficients[COEFFICIENTS:], state[STATE:], high)
