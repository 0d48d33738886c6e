"""Clipper: takes off what sticks out, upward and downward each at its own ceiling.

Clipping makes harmonics without end, and those beyond half the sample rate come back as tones that
belong to nothing.  So it works at four times the rate, and gives there the mean of the curve over
the straight line between two samples instead of its value at one, through the curve's integral F:
(F(b) - F(a)) / (b - a).  J. D. Parker, V. Zavalishin and E. Le Bivic, "Reducing the aliasing of
nonlinear waveshaping using continuous-time convolution", Proc. DAFx-16 (2016).  Every alias of a
tone of 1 to 3 kHz clipped hard by 12 dB is then more than 80 dB down from 0 to 24 kHz.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.extremes import highest_folding
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.oversampling import (
    DELAY_SAMPLES,
    DOWN_PAST,
    PHASES,
    UP_PAST,
    UP_TAPS,
    down_taps,
    lower_rate,
    raise_rate,
    up_taps,
)
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block, CompiledStage, Context, StageDesign

# Coefficients: the curve of either side (where the knee begins, where it ends, what it bends by),
# one over the ceilings, the fall of the reading a sample, then the taps of both filters.
UP_START, UP_END, UP_BEND, DOWN_START, DOWN_END, DOWN_BEND = range(6)
ONE_OVER_UP, ONE_OVER_DOWN, FALL, UP_FILTER = range(6, 10)
DOWN_FILTER = UP_FILTER + UP_TAPS

# State: readings, then, all with room for a hop, the past input and for each phase the input and
# its integral (one past sample) and the output (the past of the filter).
PEAK, PEAK_NOW = range(2)
POWER_IN = 2  # one sum for each place in the hop: an only one would be no SIMD loop
POWER_OUT = POWER_IN + HOP
OVER = POWER_OUT + HOP  # the newest peaks over their ceilings
INPUTS = OVER + HOP
IN_PLANE = 1 + HOP
OUT_PLANE = DOWN_PAST + HOP
LAST_PLANE = (PHASES - 1) * IN_PLANE
RAISED = INPUTS + UP_PAST + HOP
INTEGRALS = RAISED + PHASES * IN_PLANE
CLIPPED = INTEGRALS + PHASES * IN_PLANE
STATE_SIZE = CLIPPED + PHASES * OUT_PLANE

SAME = 1e-5  # neighbours nearer than this: the curve at their middle instead of its mean
FALL_DB_PER_S = 40.0  # of the reading for now


@dataclass(frozen=True, kw_only=True)
class ClipperDesign(StageDesign):
    """Two ceilings and a knee.

    The knee is a parabola centred on the ceiling; ``hardness_pct`` is where it begins, so that
    100 is a sharp corner and 0 bends all the way from zero to twice the ceiling.
    """

    kind: ClassVar[str] = "clipper"

    negative_ceiling_pct: float = setting(
        100.0, unit="%", low=10.0, high=200.0, effect="lower ceiling, of the rig's negative limit"
    )
    positive_ceiling_pct: float = setting(
        100.0, unit="%", low=10.0, high=200.0, effect="upper ceiling, of the rig's positive limit"
    )
    hardness_pct: float = setting(
        90.0, unit="%", low=0.0, high=100.0, effect="where the knee begins, of either ceiling"
    )

    def build(self, context: Context) -> CompiledStage:
        """Set the ceilings by the rig's limits."""
        up = self.positive_ceiling_pct / 100.0 * context.positive_limit
        down = self.negative_ceiling_pct / 100.0 * context.negative_limit
        fall = 10.0 ** (-FALL_DB_PER_S / 20.0 / SAMPLE_RATE_HZ)
        curve = [*self._side(up), *self._side(down), 1.0 / up, 1.0 / down, fall]
        return CompiledStage(
            self.kind,
            clipper_kernel,
            np.concatenate([curve, up_taps(), down_taps()]),
            np.zeros(STATE_SIZE),
            DELAY_SAMPLES,
            _meters,
        )

    def _side(self, ceiling: float) -> tuple[float, float, float]:
        width = 2.0 * ceiling * (1.0 - self.hardness_pct / 100.0)
        return ceiling - width / 2.0, ceiling + width / 2.0, 0.5 / width if width else 0.0


def _meters(state: Block) -> Mapping[str, float]:
    before, after = np.sum(state[POWER_IN:POWER_OUT]), np.sum(state[POWER_OUT:OVER])
    removed = float(before / after) if after else 1.0
    return {
        "clip_depth_max_db": 20.0 * math.log10(max(1.0, state[PEAK])),
        "clip_depth_db_now": 20.0 * math.log10(max(1.0, state[PEAK_NOW])),
        "removed_db": 10.0 * math.log10(removed),
    }


@kernel
def clipper_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Clip the block in place."""
    n = block.shape[0]
    inputs = state[INPUTS:RAISED]
    inputs[UP_PAST : UP_PAST + n] = block
    taps = coefficients[UP_FILTER:DOWN_FILTER]
    raise_rate(taps, inputs, state[RAISED + 1 : INTEGRALS], IN_PLANE, n)
    for phase in range(PHASES):
        x = phase * IN_PLANE + 1
        _integrate(
            coefficients,
            state[RAISED + x : RAISED + x + n],
            state[INTEGRALS + x : INTEGRALS + x + n],
        )
    for phase in range(PHASES):
        # The neighbour before lies in the plane before; before plane 0 in the last one, a sample
        # earlier.
        b = phase * IN_PLANE + 1
        a = b - IN_PLANE if phase else LAST_PLANE
        out = CLIPPED + phase * OUT_PLANE + DOWN_PAST
        _mean(
            coefficients,
            state[RAISED + a : RAISED + a + n],
            state[RAISED + b : RAISED + b + n],
            state[INTEGRALS + a : INTEGRALS + a + n],
            state[INTEGRALS + b : INTEGRALS + b + n],
            state[out : out + n],
        )
    lower_rate(coefficients[DOWN_FILTER:], state[CLIPPED:], OUT_PLANE, block)
    state[PEAK_NOW] *= coefficients[FALL] ** n
    _read(coefficients, state, n)
    _move_on(state, n)


@kernel
def _integrate(c: Block, x: Block, integral: Block) -> None:
    """Give the integral of the curve from 0 to each sample; it is positive on both sides."""
    up_start, up_end, up_bend = c[UP_START], c[UP_END], c[UP_BEND]
    down_start, down_end, down_bend = c[DOWN_START], c[DOWN_END], c[DOWN_BEND]
    for i in range(x.shape[0]):
        up, down = max(x[i], 0.0), max(-x[i], 0.0)
        flat, bent = min(up, up_end), min(max(up - up_start, 0.0), up_end - up_start)
        total = flat * (up - 0.5 * flat)
        total -= up_bend * bent * bent * (up - up_start - bent * (2.0 / 3.0))
        flat, bent = min(down, down_end), min(max(down - down_start, 0.0), down_end - down_start)
        total += flat * (down - 0.5 * flat)
        total -= down_bend * bent * bent * (down - down_start - bent * (2.0 / 3.0))
        integral[i] = total


@kernel
def _mean(c: Block, a: Block, b: Block, of_a: Block, of_b: Block, mean: Block) -> None:
    """Give the mean of the curve between neighbours a and b, from its integral at both."""
    up_start, up_end, up_bend = c[UP_START], c[UP_END], c[UP_BEND]
    down_start, down_end, down_bend = c[DOWN_START], c[DOWN_END], c[DOWN_BEND]
    for i in range(a.shape[0]):
        middle = 0.5 * (a[i] + b[i])
        bent_up = min(max(middle - up_start, 0.0), up_end - up_start)
        bent_down = min(max(-middle - down_start, 0.0), down_end - down_start)
        at_middle = max(min(middle, up_end), -down_end)
        at_middle += down_bend * bent_down * bent_down - up_bend * bent_up * bent_up
        step = b[i] - a[i]
        far = abs(step) > SAME
        slope = (of_b[i] - of_a[i]) / (step if far else 1.0)
        mean[i] = slope if far else at_middle


@kernel
def _read(c: Block, state: Block, n: int) -> None:
    """Note the highest peak over its ceiling, and the power before and after."""
    up, down = c[ONE_OVER_UP], -c[ONE_OVER_DOWN]
    over = state[OVER : OVER + n]
    before, after = state[POWER_IN : POWER_IN + n], state[POWER_OUT : POWER_OUT + n]
    raised, clipped = state[RAISED + 1 : RAISED + 1 + n], state[CLIPPED + DOWN_PAST :]
    for i in range(n):
        over[i] = max(raised[i] * up, raised[i] * down)
        before[i] += raised[i] * raised[i]
        after[i] += clipped[i] * clipped[i]
    for phase in range(1, PHASES):
        start = RAISED + phase * IN_PLANE + 1
        raised = state[start : start + n]
        for i in range(n):
            over[i] = max(over[i], max(raised[i] * up, raised[i] * down))
    state[PEAK_NOW] = max(state[PEAK_NOW], highest_folding(over))
    state[PEAK] = max(state[PEAK], state[PEAK_NOW])


@kernel
def _move_on(state: Block, n: int) -> None:
    """Keep the newest samples as the past of the next block."""
    for i in range(UP_PAST):
        state[INPUTS + i] = state[INPUTS + n + i]
    state[RAISED + LAST_PLANE] = state[RAISED + LAST_PLANE + n]
    state[INTEGRALS + LAST_PLANE] = state[INTEGRALS + LAST_PLANE + n]
    for phase in range(PHASES):
        plane = state[CLIPPED + phase * OUT_PLANE :]
        for i in range(DOWN_PAST):
            plane[i] = plane[n + i]
