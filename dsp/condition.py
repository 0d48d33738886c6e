"""Condition: only finite samples go on, without DC, rumble and hum.

The high-pass keeps the phase.  A second-order high-pass of minimum phase at 90 Hz turns the peaks
of some voices around: of four open recordings of people, low-passed at 4 kHz and scaled to a trough
of 95 % and a crest of 125 %, it cost 0.6 dB of modulation in the mean and 1.5 dB at worst, fourth
order 1.0 and 3.1 dB; this one cost 0.04 and 0.2 dB against ideal linear phase.
"""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.past import move_past
from carrierfloor.dsp.sections import BUTTERWORTH_Q, Section
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block, CompiledStage, Context, StageDesign

# Coefficients: samples in a running mean, 0 = minimum phase; then the biquad, if any.
MEAN, BIQUAD = range(2)

# State: counted samples, the two running sums; then the biquad's memories, or the past of the
# input and of the first sum, each with room for a hop.
REFUSED, SUM_1, SUM_2, PAST = range(4)

LARGEST = 1024.0  # anything beyond is no audio
# Adding and subtracting this rounds to multiples of 2**-21.  Sums of such numbers stay below 2**32
# (1100 x 1100 samples of 1024), so that they are exact and never drift, however long the stream.
ROUNDER = 1.5 * 2.0**31

# Two running means in a row fall to one half at this part of one over their length: the solution
# of (sin(pi x) / (pi x))^2 = 1/2.
HALF_AT = 0.4429


@dataclass(frozen=True, kw_only=True)
class ConditionDesign(StageDesign):
    """Non-finite samples become 0 and are counted; DC and what lies below speech are removed.

    Linear phase: the delayed input less two running means of it, 6 dB down at ``high_pass_hz``,
    12 dB per octave below.  Minimum phase: second-order Butterworth, 3 dB down there, no delay.
    """

    kind: ClassVar[str] = "condition"

    high_pass_hz: float = setting(
        90.0, unit="Hz", low=20.0, high=300.0, effect="corner of the high-pass"
    )
    phase: str = setting(
        "linear",
        choices=("linear", "minimum"),
        effect="linear keeps the voice's peaks as they are; minimum has no delay",
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the corner into running means or a biquad."""
        if self.phase == "minimum":
            section = Section(kind="highpass", corner_hz=self.high_pass_hz, q=BUTTERWORTH_Q)
            coefficients = np.concatenate([[0.0], cascade([digital(section)])])
            state, latency = np.concatenate([np.zeros(PAST), cascade_state(1)]), 0
        else:
            mean = round(HALF_AT * SAMPLE_RATE_HZ / self.high_pass_hz)
            coefficients = np.array([float(mean)])
            state, latency = np.zeros(PAST + 2 * (mean + HOP)), mean - 1
        return CompiledStage(
            self.kind,
            condition_kernel,
            coefficients,
            state,
            latency,
            lambda s: {"refused_samples": float(s[REFUSED])},
        )


@kernel
def condition_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Clean and high-pass the block in place."""
    refused = 0
    for i in range(block.shape[0]):
        fine = abs(block[i]) <= LARGEST  # false for NaN
        refused += not fine
        block[i] = block[i] if fine else 0.0
    state[REFUSED] += refused
    mean = int(coefficients[MEAN])
    if mean == 0:
        biquad_kernel(coefficients[BIQUAD:], state[PAST:], block)
    else:
        _subtract_means(mean, state, block)


@kernel
def _subtract_means(mean: int, state: Block, block: Block) -> None:
    n = block.shape[0]
    inputs, sums = state[PAST : PAST + mean + HOP], state[PAST + mean + HOP :]
    new_inputs, new_sums = inputs[mean : mean + n], sums[mean : mean + n]
    for i in range(n):
        new_inputs[i] = block[i]
        # What the first sum gains here: the newest input, rounded, less the one that leaves.
        block[i] = ((block[i] + ROUNDER) - ROUNDER) - ((inputs[i] + ROUNDER) - ROUNDER)
    sum_1, sum_2 = state[SUM_1], state[SUM_2]
    for i in range(n):
        sum_1 += block[i]
        sum_2 += sum_1 - sums[i]
        new_sums[i] = sum_1
        block[i] = sum_2
    state[SUM_1], state[SUM_2] = sum_1, sum_2
    share = 1.0 / (mean * mean)
    delayed = inputs[1:]
    for i in range(n):
        block[i] = delayed[i] - share * block[i]
    move_past(inputs, mean, n)
    move_past(sums, mean, n)
