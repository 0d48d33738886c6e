"""Which way a positive sample moves the envelope, from the step with uneven peaks.

A sine looks the same upside down.  Of f and 2 f in a fixed phase the larger peaks show which way
up they are; the phase of 2 f against twice that of f tells it, and how much the path turned them
against each other.
"""

import cmath
import math
from collections.abc import Sequence

from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.staircase_reading import StepPeriod

NORMAL, INVERTED = "normal", "inverted"
SURE = math.radians(60.0)  # how far the path may turn 2 f against f
SEEN = 0.15  # 2 f over f; 0.5 was sent
SURE_PEAKS = 1.3  # one peak over the other; 2 was sent


def polarity_of_steps(periods: Sequence[StepPeriod]) -> str | None:
    """Return the polarity that a recording shows, or ``None`` if it does not."""
    for period in periods:
        second = period.second_in_step
        if period.sent.is_uneven and abs(second) > SEEN:
            angle = abs(cmath.phase(second))
            if angle < SURE:
                return NORMAL
            if angle > math.pi - SURE:
                return INVERTED
    return None


def polarity_of_reading(uneven: EnvelopeReading) -> str | None:
    """Return the polarity that a reading of the uneven step shows, or ``None``."""
    slack = 2.0 * uneven.error
    if uneven.positive > SURE_PEAKS * uneven.negative + slack:
        return NORMAL
    if uneven.negative > SURE_PEAKS * uneven.positive + slack:
        return INVERTED
    return None
