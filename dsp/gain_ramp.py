"""Gain that is decided a few times a millisecond and glides in between.

The level stages decide on the mean power or the peak of a short interval of samples, and let the
gain run in a straight line to its new value over the next interval.  Logarithms are then needed
once an interval, and nothing depends on how the stream is cut into blocks.

The first slots of such a stage's state are the ones named here.
"""

import math

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

PHASE = 0  # samples of the interval already seen
ENERGY = 1  # sum of their squares, at the stage's input
PEAK = 2  # largest magnitude among them
GAIN = 3  # linear gain of the last sample
STEP = 4  # what the gain grows by from sample to sample
AIM = 5  # linear gain that the present interval ends with
RAMP_SLOTS = 6

NEGLIGIBLE_DB = 1e-9  # a gain this near its goal has arrived; avoids denormal numbers
NEPERS_PER_DB = math.log(10.0) / 20.0


@kernel
def run_ramp(state: Block, block: Block, start: int, interval: int) -> int:
    """Measure samples and apply the gliding gain in place, up to the end of the interval.

    Parameters
    ----------
    state : ndarray
        Begins with the slots of this module.
    block : ndarray, shape (n,)
        May end before the interval does.
    start : int
        First sample that is not done yet.
    interval : int
        Samples between two decisions.

    Returns
    -------
    int
        First sample that is not done now.
    """
    stop: int = min(block.shape[0], start + interval - int(state[PHASE]))
    piece = block[start:stop]
    energy, peak = state[ENERGY], state[PEAK]
    gain, step = state[GAIN], state[STEP]
    for i in range(piece.shape[0]):
        x = piece[i]
        energy += x * x
        peak = max(peak, abs(x))
        gain += step
        piece[i] = x * gain
    state[ENERGY], state[PEAK], state[GAIN] = energy, peak, gain
    state[PHASE] += piece.shape[0]
    return stop


@kernel
def aim_ramp(state: Block, gain_db: float, interval: int) -> None:
    """Start the next interval, at whose end the gain is to be ``gain_db``."""
    aim = math.exp(NEPERS_PER_DB * gain_db)
    state[PHASE] = 0.0
    state[ENERGY] = 0.0
    state[PEAK] = 0.0
    state[GAIN] = state[AIM]  # exact, so that no rounding piles up
    state[STEP] = (aim - state[AIM]) / interval
    state[AIM] = aim


@kernel
def approach(now_db: float, wanted_db: float, share: float) -> float:
    """Return a gain that has gone its share of the way to the wanted one."""
    if abs(wanted_db - now_db) < NEGLIGIBLE_DB:
        return wanted_db
    return now_db + share * (wanted_db - now_db)
