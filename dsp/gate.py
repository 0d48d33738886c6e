"""Gate: a downward expander that quiets the room in the pauses."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.gain_ramp import (
    AIM,
    ENERGY,
    GAIN,
    PHASE,
    RAMP_SLOTS,
    aim_ramp,
    approach,
    run_ramp,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.speech_tracker import (
    INTERVAL,
    INTERVAL_S,
    SPEECH,
    TRACKER_SLOTS,
    per_interval,
    track_speech,
    tracker_state,
)
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

# Coefficients.
THRESHOLD = 0  # power ratio of the threshold to the speech level
SLOPE = 1  # dB of gain lost for each dB under the threshold
RANGE_DB = 2  # largest loss
OPEN_SHARE = 3  # how much of the way to a higher gain is gone in one interval
CLOSE_SHARE = 4  # and to a lower one
HOLD = 5  # intervals to wait before closing
FAST_SHARE = 6  # of the power average that opens the gate

# State, after the slots of the gain ramp.
GAIN_DB = RAMP_SLOTS
HELD = RAMP_SLOTS + 1  # intervals of holding left
FAST = RAMP_SLOTS + 2  # mean square over 3 ms
DEEPEST_DB = RAMP_SLOTS + 3  # lowest gain so far
SUM_DB = RAMP_SLOTS + 4  # sum of the gains of all intervals
COUNT = RAMP_SLOTS + 5  # how many
TRACKER = RAMP_SLOTS + 6

FAST_S = 0.003


@dataclass(frozen=True, kw_only=True)
class GateDesign(StageDesign):
    """A downward expander whose threshold follows the talker's own level.

    Before any speech is heard the gate is open, so that no first word is lost.
    """

    kind: ClassVar[str] = "gate"

    threshold_db: float = setting(
        -32.0,
        unit="dB",
        low=-60.0,
        high=-10.0,
        effect="what lies this far under the tracked speech level is turned down",
    )
    ratio: float = setting(
        4.0, low=1.0, high=20.0, effect="dB out per dB in, below the threshold; 1: no gate"
    )
    range_db: float = setting(
        18.0, unit="dB", low=0.0, high=60.0, effect="most that a pause is turned down"
    )
    open_ms: float = setting(
        2.0, unit="ms", low=0.5, high=50.0, effect="time constant of the gain on its way up"
    )
    hold_ms: float = setting(
        120.0, unit="ms", low=0.0, high=2000.0, effect="wait before the gain goes down"
    )
    release_ms: float = setting(
        150.0, unit="ms", low=5.0, high=5000.0, effect="time constant of the gain on its way down"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the settings into a stage."""
        coefficients = np.array(
            [
                10.0 ** (self.threshold_db / 10.0),
                self.ratio - 1.0,
                self.range_db,
                per_interval(self.open_ms / 1000.0),
                per_interval(self.release_ms / 1000.0),
                round(self.hold_ms / 1000.0 / INTERVAL_S),
                per_interval(FAST_S),
            ]
        )
        state = np.concatenate([np.zeros(TRACKER), tracker_state()])
        state[GAIN] = state[AIM] = 1.0
        return CompiledStage(self.kind, gate_kernel, coefficients, state, read_meters=_read_meters)


def _read_meters(state: Block) -> Mapping[str, float]:
    return {
        "gain_db_now": float(state[GAIN_DB]),
        "gain_reduction_max_db": float(-state[DEEPEST_DB]),
        "gain_reduction_mean_db": float(-state[SUM_DB] / max(state[COUNT], 1.0)),
    }


@kernel
def gate_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Expand the block downward in place."""
    start = 0
    while start < block.shape[0]:
        start = run_ramp(state, block, start, INTERVAL)
        if state[PHASE] >= INTERVAL:
            _decide(coefficients, state)


@kernel
def _decide(coefficients: Block, state: Block) -> None:
    power = state[ENERGY] / INTERVAL
    tracker = state[TRACKER : TRACKER + TRACKER_SLOTS]
    track_speech(tracker, power)
    state[FAST] += coefficients[FAST_SHARE] * (power + 1e-30 - state[FAST])
    wanted_db = 0.0
    threshold = coefficients[THRESHOLD] * tracker[SPEECH]
    if state[FAST] < threshold:
        under_db = 10.0 * math.log10(threshold / state[FAST])
        wanted_db = -min(coefficients[SLOPE] * under_db, coefficients[RANGE_DB])
    before_db = state[GAIN_DB]
    if wanted_db >= before_db:
        state[GAIN_DB] = approach(before_db, wanted_db, coefficients[OPEN_SHARE])
        state[HELD] = coefficients[HOLD]
    elif state[HELD] > 0.0:
        state[HELD] -= 1.0
    else:
        state[GAIN_DB] = approach(before_db, wanted_db, coefficients[CLOSE_SHARE])
    state[DEEPEST_DB] = min(state[DEEPEST_DB], state[GAIN_DB])
    state[SUM_DB] += state[GAIN_DB]
    state[COUNT] += 1.0
    aim_ramp(state, state[GAIN_DB], INTERVAL)
