"""Compressor: fast gain that evens out the syllables."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.gain_ramp import (
    AIM,
    GAIN,
    PEAK,
    PHASE,
    RAMP_SLOTS,
    aim_ramp,
    approach,
    run_ramp,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block, CompiledStage, Context, StageDesign

INTERVAL = 8  # samples between two decisions, 0.17 ms

# Coefficients.
THRESHOLD_DB, SLOPE, KNEE_DB, ATTACK_SHARE, RELEASE_SHARE, MAKEUP_DB = range(6)

# State, after the slots of the gain ramp.
REDUCTION_DB = RAMP_SLOTS
DEEPEST_DB = RAMP_SLOTS + 1
SUM_DB = RAMP_SLOTS + 2  # over the intervals in which there was any reduction
COUNT = RAMP_SLOTS + 3
GAIN_DB = RAMP_SLOTS + 4
SLOTS = RAMP_SLOTS + 5

WORKING_DB = 0.1  # reduction from which an interval counts into the mean
LEAST_PEAK = 1e-15


@dataclass(frozen=True, kw_only=True)
class CompressorDesign(StageDesign):
    """A feed-forward peak compressor with a soft knee.

    Static curve and smoothing in the log domain follow D. Giannoulis, M. Massberg and J. D. Reiss,
    "Digital dynamic range compressor design", J. Audio Eng. Soc. 60(6), 2012, equation 4 (knee)
    and section 2.3 (smooth branching peak detector behind the gain computer).
    """

    kind: ClassVar[str] = "compressor"

    threshold_db: float = setting(
        -20.0,
        unit="dB",
        low=-60.0,
        high=0.0,
        effect="peak level where it starts, 0 dB = 100 % modulation; set it near the leveller's "
        "target_db",
    )
    ratio: float = setting(3.0, low=1.0, high=50.0, effect="dB in per dB out, over the threshold")
    knee_db: float = setting(
        6.0, unit="dB", low=0.0, high=40.0, effect="width over which the ratio comes in"
    )
    attack_ms: float = setting(
        3.0, unit="ms", low=0.1, high=200.0, effect="time constant of the gain on its way down"
    )
    release_ms: float = setting(
        80.0, unit="ms", low=5.0, high=5000.0, effect="time constant of the gain on its way up"
    )
    makeup_db: float = setting(
        0.0, unit="dB", low=0.0, high=40.0, effect="fixed gain after the compression"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the settings into a stage."""
        coefficients = np.array(
            [
                self.threshold_db,
                1.0 - 1.0 / self.ratio,
                self.knee_db,
                _share(self.attack_ms),
                _share(self.release_ms),
                self.makeup_db,
            ]
        )
        state = np.zeros(SLOTS)
        state[GAIN_DB] = self.makeup_db
        state[GAIN] = state[AIM] = 10.0 ** (self.makeup_db / 20.0)
        return CompiledStage(
            self.kind, compressor_kernel, coefficients, state, read_meters=_read_meters
        )


def _share(time_constant_ms: float) -> float:
    return 1.0 - math.exp(-INTERVAL / SAMPLE_RATE_HZ / (time_constant_ms / 1000.0))


def _read_meters(state: Block) -> Mapping[str, float]:
    return {
        "gain_db_now": float(state[GAIN_DB]),
        "gain_reduction_max_db": float(state[DEEPEST_DB]),
        "gain_reduction_mean_db": float(state[SUM_DB] / max(state[COUNT], 1.0)),
    }


@kernel
def compressor_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Compress the block in place."""
    start = 0
    while start < block.shape[0]:
        start = run_ramp(state, block, start, INTERVAL)
        if state[PHASE] >= INTERVAL:
            _decide(coefficients, state)


@kernel
def _decide(coefficients: Block, state: Block) -> None:
    wanted_db = reduction_db(coefficients, 20.0 * math.log10(max(state[PEAK], LEAST_PEAK)))
    share = coefficients[RELEASE_SHARE]
    if wanted_db > state[REDUCTION_DB]:
        share = coefficients[ATTACK_SHARE]
    state[REDUCTION_DB] = approach(state[REDUCTION_DB], wanted_db, share)
    if state[REDUCTION_DB] > WORKING_DB:
        state[SUM_DB] += state[REDUCTION_DB]
        state[COUNT] += 1.0
    state[DEEPEST_DB] = max(state[DEEPEST_DB], state[REDUCTION_DB])
    state[GAIN_DB] = coefficients[MAKEUP_DB] - state[REDUCTION_DB]
    aim_ramp(state, state[GAIN_DB], INTERVAL)


@kernel
def reduction_db(coefficients: Block, level_db: float) -> float:
    """Return the gain reduction that a steady level leads to, as a positive number."""
    over_db = level_db - coefficients[THRESHOLD_DB]
    knee_db = coefficients[KNEE_DB]
    if 2.0 * over_db <= -knee_db:
        return 0.0
    if 2.0 * over_db < knee_db:
        return float(coefficients[SLOPE] * (over_db + knee_db / 2.0) ** 2 / (2.0 * knee_db))
    return float(coefficients[SLOPE] * over_db)
