"""Where the talker's level lies, whatever the microphone: speech level, noise floor, activity.

The floor is the smallest short-term power of the last one and a half to three seconds, the idea of
R. Martin, "Noise power spectral density estimation based on optimal smoothing and minimum
statistics", IEEE Trans. Speech and Audio Processing 9(5), 2001, section II.  Whatever stands well
above the floor moves, and is taken for speech; its mean power is the speech level, which comes
near the active speech level of ITU-T P.56 (2011).  A steady hum or hiss is never taken for speech.
The numbers below were set by trial on recordings (no source).
"""

import math

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

INTERVAL = 32  # samples between two decisions, 0.67 ms
INTERVAL_S = INTERVAL / SAMPLE_RATE_HZ

# Slots of the tracker's slice of a stage's state.
SHORT = 0  # mean square over about 20 ms
SEEN = 1  # intervals seen since the start, as far as SHORT needs to know
FLOOR = 2  # mean square of the noise floor
MINIMUM = 3  # smallest SHORT of the present window
MINIMUM_BEFORE = 4  # smallest SHORT of the window before
WINDOW = 5  # intervals of the present window already seen
SPEECH = 6  # mean square of active speech; 0 = none heard yet
HEARD = 7  # seconds of active speech heard so far
ACTIVE = 8  # 1 while the talker talks
TRACKER_SLOTS = 9

SHORT_S = 0.02
WINDOW_INTERVALS = round(1.5 / INTERVAL_S)
SETTLED_INTERVALS = round(SHORT_S / INTERVAL_S)
SPEECH_S = 2.0  # time constant of the speech level, in seconds of active speech
FIRST_S = 0.05  # the first speech is averaged over at least this
OVER_FLOOR = 10.0**0.8  # speech stands 8 dB over the floor
UNDER_SPEECH = 10.0**-2.5  # and no more than 25 dB under the speech level so far
LEAST_POWER = 1e-8  # nothing below -80 dB is speech: the noise of a 16-bit file is not
NOT_YET = 1e30  # a minimum before anything was seen


def tracker_state() -> Block:
    """Return the tracker's slots as they are after a reset."""
    state = np.zeros(TRACKER_SLOTS)
    state[[FLOOR, MINIMUM, MINIMUM_BEFORE]] = NOT_YET
    return state


def per_interval(seconds: float) -> float:
    """Return what a one-pole average of this time constant takes over in one interval."""
    return 1.0 - math.exp(-INTERVAL_S / max(seconds, INTERVAL_S))


_SHORT_SHARE = per_interval(SHORT_S)


@kernel
def track_speech(state: Block, power: float) -> None:
    """Take the mean square of the next interval into account.

    Parameters
    ----------
    state : ndarray, shape (TRACKER_SLOTS,)
        The tracker's slice of the stage's state.
    power : float
        Mean square of the interval, 1.0 = full scale squared.
    """
    state[SEEN] = min(state[SEEN] + 1.0, 1e6)
    share = max(_SHORT_SHARE, 1.0 / state[SEEN])  # a plain mean until there is enough
    state[SHORT] += share * (power + 1e-30 - state[SHORT])  # keeps clear of denormal numbers
    if state[SEEN] >= SETTLED_INTERVALS:
        _track_floor(state)
    level = state[SHORT]
    floor = min(state[FLOOR], NOT_YET)
    active = level > max(OVER_FLOOR * floor, UNDER_SPEECH * state[SPEECH], LEAST_POWER)
    state[ACTIVE] = 1.0 if active else 0.0
    if active:
        state[HEARD] = min(state[HEARD] + INTERVAL_S, 1e6)
        time_s = min(max(state[HEARD], FIRST_S), SPEECH_S)
        if state[SPEECH] == 0.0:
            state[SPEECH] = level
        state[SPEECH] += INTERVAL_S / time_s * (level - state[SPEECH])


@kernel
def _track_floor(state: Block) -> None:
    state[MINIMUM] = min(state[MINIMUM], state[SHORT])
    state[WINDOW] += 1.0
    if state[WINDOW] >= WINDOW_INTERVALS:
        state[MINIMUM_BEFORE] = state[MINIMUM]
        state[MINIMUM] = state[SHORT]
        state[WINDOW] = 0.0
    state[FLOOR] = min(state[MINIMUM], state[MINIMUM_BEFORE])
