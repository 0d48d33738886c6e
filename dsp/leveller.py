"""Leveller: the slow hand on the fader, which brings every talker to the same level."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.crossover import crossover_coefficients, crossover_state, split
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
from carrierfloor.dsp.stage import HOP, Block, CompiledStage, Context, StageDesign

# Coefficients of a band; the stage has those of the low (or only) band, of the high band, and of
# the crossover, as many as there are.
TARGET_DB, LOWEST_DB, HIGHEST_DB, UP_S, DOWN_S, WINDOW_S, BAND_COEFFICIENTS = range(7)

# State of a band, after the slots of the gain ramp; the stage has that of one or two bands, then
# the crossover's and room for a hop of either band.
GAIN_DB = RAMP_SLOTS
LEVEL = RAMP_SLOTS + 1  # mean square of the input over the window, held in pauses
WEIGHED_S = RAMP_SLOTS + 2  # seconds that LEVEL has averaged so far
LEAST_DB = RAMP_SLOTS + 3  # lowest gain while speech was there
MOST_DB = RAMP_SLOTS + 4  # highest
SUM_DB = RAMP_SLOTS + 5  # sum over the intervals with speech
COUNT = RAMP_SLOTS + 6  # how many
TRACKER = RAMP_SLOTS + 7
BAND_STATE = TRACKER + TRACKER_SLOTS

NONE_YET = 1e30
LEARNING_S = 0.03  # shortest time constant of the gain, on the first syllable
UNDERSTOOD_S = 0.04  # speech to hear before anything is raised


@dataclass(frozen=True, kw_only=True)
class LevellerDesign(StageDesign):
    """A slow gain towards a wanted speech level, for the whole voice or for two bands.

    It averages the power of speech only and holds still in the pauses.  On the first syllables
    the time constants are as short as the speech heard so far, so that it starts like a running
    mean and slows down to its settings.  With a crossover each band has a gain of its own, which
    also brings a dull or a shrill voice to the same balance.
    """

    kind: ClassVar[str] = "leveller"

    target_db: float = setting(
        -20.0,
        unit="dB",
        low=-40.0,
        high=0.0,
        effect="rms that speech, or each band of it, is brought to; 0 dB = 100 % modulation",
    )
    crossover_hz: float | None = setting(
        None,
        unit="Hz",
        low=200.0,
        high=4000.0,
        effect="where two bands part that are levelled each for itself; left out: one band",
    )
    treble_db: float = setting(
        0.0,
        unit="dB",
        low=-20.0,
        high=20.0,
        effect="how much higher than target_db the high band is brought to",
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
        """Turn the settings into a stage of one or two bands."""
        low = self._band(self.target_db)
        if self.crossover_hz is None:
            return CompiledStage(
                self.kind, leveller_kernel, low, _band_state(), read_meters=_read_meters
            )
        high = self._band(self.target_db + self.treble_db)
        coefficients = np.concatenate([low, high, crossover_coefficients(self.crossover_hz)])
        state = [_band_state(), _band_state(), crossover_state(), np.zeros(2 * HOP)]
        return CompiledStage(
            self.kind,
            leveller_kernel,
            coefficients,
            np.concatenate(state),
            read_meters=_read_both_meters,
        )

    def _band(self, target_db: float) -> Block:
        window_s = self.window_s / 2.0  # a one-pole average of T/2 weighs as a window of T does
        gains_db = [target_db, self.min_gain_db, self.max_gain_db]
        return np.array([*gains_db, self.gain_up_s, self.gain_down_s, window_s])


def _band_state() -> Block:
    state = np.concatenate([np.zeros(TRACKER), tracker_state()])
    state[GAIN] = state[AIM] = 1.0
    state[LEAST_DB], state[MOST_DB] = NONE_YET, -NONE_YET
    return state


def _read_meters(state: Block) -> Mapping[str, float]:
    heard = state[COUNT] > 0.0
    return {
        "gain_db_now": float(state[GAIN_DB]),
        "gain_min_db": float(state[LEAST_DB]) if heard else 0.0,
        "gain_max_db": float(state[MOST_DB]) if heard else 0.0,
        "gain_mean_db": float(state[SUM_DB] / state[COUNT]) if heard else 0.0,
    }


def _read_both_meters(state: Block) -> Mapping[str, float]:
    high = _read_meters(state[BAND_STATE:])
    return {**_read_meters(state), **{f"treble_{name}": value for name, value in high.items()}}


@kernel
def leveller_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Level the block in place."""
    if coefficients.shape[0] == BAND_COEFFICIENTS:
        _level_band(coefficients, state, block)
        return
    n = block.shape[0]
    after = 2 * BAND_STATE
    low = state[state.shape[0] - 2 * HOP : state.shape[0] - 2 * HOP + n]
    high = state[state.shape[0] - HOP : state.shape[0] - HOP + n]
    split(coefficients[2 * BAND_COEFFICIENTS :], state[after:], block, low, high)
    _level_band(coefficients[:BAND_COEFFICIENTS], state[:BAND_STATE], low)
    _level_band(
        coefficients[BAND_COEFFICIENTS : 2 * BAND_COEFFICIENTS], state[BAND_STATE:after], high
    )
    for i in range(n):
        block[i] = low[i] + high[i]


@kernel
def _level_band(coefficients: Block, state: Block, block: Block) -> None:
    start = 0
    while start < block.shape[0]:
        start = run_ramp(state, block, start, INTERVAL)
        if state[PHASE] >= INTERVAL:
            _decide(coefficients, state)


@kernel
def _decide(coefficients: Block, state: Block) -> None:
    tracker = state[TRACKER : TRACKER + TRACKER_SLOTS]
    track_speech(tracker, state[ENERGY] / INTERVAL)
    active = tracker[ACTIVE] > 0.0
    if active or tracker[SHORT] > state[LEVEL]:  # what is louder than speech counts as well
        _average(coefficients, state, tracker[SHORT])
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


@kernel
def _average(coefficients: Block, state: Block, power: float) -> None:
    state[WEIGHED_S] = min(state[WEIGHED_S] + INTERVAL_S, coefficients[WINDOW_S])
    state[LEVEL] += INTERVAL_S / state[WEIGHED_S] * (power - state[LEVEL])
    if state[WEIGHED_S] < coefficients[WINDOW_S]:  # the first syllable is still rising
        state[LEVEL] = max(state[LEVEL], power)
