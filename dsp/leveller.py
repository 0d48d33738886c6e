"""Leveller: the slow hand on the fader, which brings every talker to the same level."""

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
    ACTIVE,
    HEARD,
    INTERVAL,
    INTERVAL_S,
    SHORT,
    TRACKER_SLOTS,
    track_speech,
    tracker_state,
)
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

# Coefficients.
TARGET_DB, LOWEST_DB, HIGHEST_DB, UP_S, DOWN_S, WINDOW_S = range(6)

# State, after the slots of the gain ramp.
GAIN_DB = RAMP_SLOTS
LEVEL = RAMP_SLOTS + 1  # mean square of the input over the window, held in pauses
WEIGHED_S = RAMP_SLOTS + 2  # seconds that LEVEL has averaged so far
LEAST_DB = RAMP_SLOTS + 3  # lowest gain while speech was there
MOST_DB = RAMP_SLOTS + 4  # highest
SUM_DB = RAMP_SLOTS + 5  # sum over the intervals with speech
COUNT = RAMP_SLOTS + 6  # how many
TRACKER = RAMP_SLOTS + 7

NONE_YET = 1e30
LEARNING_S = 0.03  # shortest time constant of the gain, on the first syllable
UNDERSTOOD_S = 0.04  # speech to hear before anything is raised


@dataclass(frozen=True, kw_only=True)
class LevellerDesign(StageDesign):
    """A slow gain towards a wanted speech level.

    It averages the power of speech only and holds still in the pauses.  On the first syllables
    the time constants are as short as the speech heard so far, so that it starts like a running
    mean and slows down to its settings.
    """

    kind: ClassVar[str] = "leveller"

    target_db: float = setting(
        -20.0,
        unit="dB",
        low=-40.0,
        high=0.0,
        effect="rms that speech is brought to, 0 dB = 100 % modulation",
    )
    max_gain_db: float = setting(
        24.0, unit="dB", low=0.0, high=60.0, effect="most that weak speech is raised"
    )
    min_gain_db: float = setting(
        -30.0, unit="dB", low=-60.0, high=0.0, effect="most that loud speech is lowered, negative"
    )
    gain_up_s: float = setting(
        2.0, unit="s", low=0.05, high=30.0, effect="time constant of the gain on its way up"
    )
    gain_down_s: float = setting(
        0.15, unit="s", low=0.02, high=10.0, effect="time constant of the gain on its way down"
    )
    window_s: float = setting(
        0.2, unit="s", low=0.02, high=5.0, effect="length of speech whose rms is looked at"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the settings into a stage."""
        window_s = self.window_s / 2.0  # a one-pole average of T/2 weighs as a window of T does
        coefficients = np.array(
            [
                self.target_db,
                self.min_gain_db,
                self.max_gain_db,
                self.gain_up_s,
                self.gain_down_s,
                window_s,
            ]
        )
        state = np.concatenate([np.zeros(TRACKER), tracker_state()])
        state[GAIN] = state[AIM] = 1.0
        state[LEAST_DB], state[MOST_DB] = NONE_YET, -NONE_YET
        return CompiledStage(
            self.kind, leveller_kernel, coefficients, state, read_meters=_read_meters
        )


def _read_meters(state: Block) -> Mapping[str, float]:
    heard = state[COUNT] > 0.0
    return {
        "gain_db_now": float(state[GAIN_DB]),
        "gain_db_min": float(state[LEAST_DB]) if heard else 0.0,
        "gain_db_max": float(state[MOST_DB]) if heard else 0.0,
        "gain_db_mean": float(state[SUM_DB] / state[COUNT]) if heard else 0.0,
    }


@kernel
def leveller_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Level the block in place."""
    start = 0
    while start < block.shape[0]:
        stop = min(block.shape[0], start + INTERVAL - int(state[PHASE]))
        run_ramp(state, block[start:stop])
        start = stop
        if state[PHASE] >= INTERVAL:
            _decide(coefficients, state)


@kernel
def _decide(coefficients: Block, state: Block) -> None:
    tracker = state[TRACKER : TRACKER + TRACKER_SLOTS]
    track_speech(tracker, state[ENERGY] / INTERVAL)
    active = tracker[ACTIVE] > 0.0
    if active or tracker[SHORT] > state[LEVEL]:  # what is louder than speech counts as well
        state[WEIGHED_S] = min(state[WEIGHED_S] + INTERVAL_S, coefficients[WINDOW_S])
        state[LEVEL] += INTERVAL_S / state[WEIGHED_S] * (tracker[SHORT] - state[LEVEL])
        if state[WEIGHED_S] < coefficients[WINDOW_S]:  # the first syllable is still rising
            state[LEVEL] = max(state[LEVEL], tracker[SHORT])
    before_db = state[GAIN_DB]
    if state[LEVEL] > 0.0:
        wanted_db = coefficients[TARGET_DB] - 10.0 * math.log10(state[LEVEL])
        wanted_db = min(max(wanted_db, coefficients[LOWEST_DB]), coefficients[HIGHEST_DB])
        learning_s = max(tracker[HEARD], LEARNING_S)
        if wanted_db < before_db:
            share = INTERVAL_S / min(coefficients[DOWN_S], learning_s)
            state[GAIN_DB] = approach(before_db, wanted_db, share)
        elif active and tracker[HEARD] > UNDERSTOOD_S:
            share = INTERVAL_S / min(coefficients[UP_S], learning_s)
            state[GAIN_DB] = approach(before_db, wanted_db, share)
    if active:
        state[LEAST_DB] = min(state[LEAST_DB], state[GAIN_DB])
        state[MOST_DB] = max(state[MOST_DB], state[GAIN_DB])
        state[SUM_DB] += state[GAIN_DB]
        state[COUNT] += 1.0
    aim_ramp(state, state[GAIN_DB], INTERVAL)
