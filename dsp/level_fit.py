"""From readings of the envelope to the level that makes 100 %.

The negative peaks decide, because carrier cut-off is the wall.  The level is the one at which they
reach the rig's negative limit, divided by that limit: a modulator that bends is then right where
it matters, for a tone sent for the limit makes a trough of exactly the limit.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rising_curve import RisingCurve
from carrierfloor.dsp.stage import Block

CLOSED = 0.98  # a trough deeper than this may be held by cut-off, and says nothing of the slope
HELD = 0.97  # part of the depth where troughs stop, from which on one may be held there
FLAT = 0.5  # part of the slope below which troughs do not deepen any more
SEEN = 0.05  # modulation of a reading that counts
CONTRADICTS = 0.03  # a reading so far from what all others say, and ...
CONTRADICTS_ERRORS = 4.0  # ... by so many of its errors, is left out
FEWEST_OTHERS = 4
TURNED = 0.5  # of the deepest trough: at the highest level none is so shallow
FARTHEST = 3.0  # a limit so many times beyond the deepest trough read is a guess
LEAST_ERROR = 0.001  # no sound card keeps its level better from one day to the next (no source)
SURE = 1.96  # standard errors that hold 95 % of all cases


@dataclass(frozen=True, kw_only=True)
class LevelFit:
    """The level of a rig, as found from readings in the order of their level."""

    readings: tuple[EnvelopeReading, ...]
    used: tuple[bool, ...]  # whether each had a say
    contradicts: tuple[bool, ...]  # whether it was left out because the others say otherwise
    full_modulation_dbfs: float  # peak of the tone that makes 100 %, by the negative peaks
    error_db: float  # 95 % of such readings give a level within this
    positive_dbfs: float | None  # the same by the positive peaks; None: they never come so far
    crest_at_limit: float  # positive peak where the negative one is at its limit
    limit: float  # the negative limit
    is_extrapolated: bool  # whether no trough was as deep as the limit
    cutoff_dbfs: float | None  # where the trough reaches cut-off; None if it never does
    flat_dbfs: float | None  # where troughs stop to deepen before they reach cut-off ...
    floor: float | None  # ... and how deep they are there

    @property
    def error_pct(self) -> float:
        """The error in percent of the modulation."""
        return 100.0 * float(10.0 ** (self.error_db / 20.0) - 1.0)


def fit_level(
    readings: Sequence[EnvelopeReading], limit: float, scale_error: float = 0.0
) -> LevelFit:
    """Find the level from readings.

    Parameters
    ----------
    readings : sequence of EnvelopeReading
        In any order.
    limit : float
        The rig's negative limit, 1.0 = 100 %.
    scale_error : float
        95 % error that all readings share, a part of the modulation.

    Raises
    ------
    AudioError
        If no reading has modulation in it, all of it is beyond cut-off, or levels are mixed up.
    """
    ordered = tuple(sorted(readings, key=lambda one: one.level_dbfs))
    amplitude = np.array([one.amplitude for one in ordered])
    negative = np.array([one.negative for one in ordered])
    error = np.array([one.error for one in ordered])
    flat = flat_from(amplitude, negative, error)
    used = (negative > np.maximum(SEEN, 2.0 * error)) & (negative < CLOSED)
    if flat < len(ordered):  # the reading before may be held a little already
        used &= negative < HELD * float(negative[flat:].mean())
    _check_some(used, negative)
    contradicts = np.zeros(len(ordered), dtype=bool)
    while (wrong := _contradicting(amplitude, negative, error, used)) is not None:
        used[wrong], contradicts[wrong] = False, True
    curve, at_limit = _meets(amplitude[used], negative[used], error[used], limit)
    doubt = _relative_error(curve, at_limit, amplitude[used], negative[used], error[used])
    floor = float(negative[flat:].mean()) if flat < len(ordered) else None
    if floor is not None and floor >= CLOSED:
        floor = None
    cutoff = None if floor is not None else curve.meets(1.0)
    return LevelFit(
        readings=ordered,
        used=tuple(bool(one) for one in used),
        contradicts=tuple(bool(one) for one in contradicts),
        full_modulation_dbfs=decibels(at_limit / limit),
        error_db=decibels(1.0 + max(LEAST_ERROR, doubt + scale_error)),
        positive_dbfs=_positive(ordered, limit),
        crest_at_limit=_crest(ordered, at_limit),
        limit=limit,
        is_extrapolated=bool(at_limit > amplitude[used].max()),
        cutoff_dbfs=None if cutoff is None else decibels(cutoff),
        flat_dbfs=None if floor is None else ordered[flat].level_dbfs,
        floor=floor,
    )


def flat_from(amplitude: Block, negative: Block, error: Block) -> int:
    """Return the number of the first reading whose trough is no deeper than the one before.

    Its slope from there is under half of that of the readings before, by more than their errors.
    """
    for k in range(1, len(amplitude)):
        before = negative[:k] > np.maximum(SEEN, 2.0 * error[:k])
        if not before.any():
            continue
        slope = float(np.median(negative[:k][before] / amplitude[:k][before]))
        expected = slope * (amplitude[k] - amplitude[k - 1])
        doubt = 2.0 * float(np.hypot(error[k], error[k - 1]))
        if negative[k] - negative[k - 1] + doubt < FLAT * expected and _stays(negative, error, k):
            return k
    return len(amplitude)


def _stays(negative: Block, error: Block, k: int) -> bool:
    """Tell whether no trough from reading ``k`` on is much deeper than the one before it."""
    return bool(negative[k:].max() - negative[k - 1] < max(0.1, 4.0 * float(error[k])))


def _check_some(used: "np.ndarray[tuple[int], np.dtype[np.bool_]]", negative: Block) -> None:
    if used.any():
        return
    if (negative >= CLOSED).any():
        raise AudioError(
            "every step with modulation in it cuts the carrier off; begin at a lower level"
        )
    if negative[-1] < TURNED * negative.max():
        raise AudioError(
            f"the highest level makes a trough of {100.0 * negative[-1]:.1f} %, a lower one "
            f"{100.0 * negative.max():.1f} %: levels and readings do not belong together"
        )
    raise AudioError(
        f"the deepest trough is {100.0 * negative.max():.1f} %, which is too little to tell the "
        "level from; turn the transmitter's audio gain up, or go to higher levels"
    )


def _contradicting(
    amplitude: Block,
    negative: Block,
    error: Block,
    used: "np.ndarray[tuple[int], np.dtype[np.bool_]]",
) -> int | None:
    """Return the reading that all others contradict most, if one does: never the first or last."""
    numbers = np.flatnonzero(used)
    if len(numbers) <= FEWEST_OTHERS:
        return None
    worst, most = None, CONTRADICTS_ERRORS
    for number in numbers[1:-1]:
        others = numbers[numbers != number]
        curve = RisingCurve.through(amplitude[others], negative[others], error[others])
        place = amplitude[number]
        off = abs(float(curve.at(np.array([place]))[0]) - negative[number])
        errors = off / float(np.hypot(error[number], curve.error_at(place)))
        if off > CONTRADICTS and errors > most:
            worst, most = int(number), errors
    return worst


def _meets(
    amplitude: Block, negative: Block, error: Block, limit: float
) -> tuple[RisingCurve, float]:
    """Return the curve through the readings, and where it is as high as the limit.

    A curve that turns before it gets there was bent by errors; one of lower order is taken.
    """
    deepest = float(negative.max())
    curve = RisingCurve.through(amplitude, negative, error)
    curves = RisingCurve.of_all_orders(amplitude, negative, error)[: curve.order]
    for one in reversed(curves):
        place = one.meets(limit)
        if place is not None and limit <= FARTHEST * deepest:
            return one, place
    raise AudioError(
        f"the deepest trough that tells the level is {100.0 * deepest:.0f} %, too far from the "
        f"negative limit of {100.0 * limit:g} %; go to higher levels"
    )


def _relative_error(
    curve: RisingCurve, place: float, amplitude: Block, negative: Block, error: Block
) -> float:
    """Return the 95 % error of a place on the curve, as a part of it.

    Nobody knows how the modulator bends.  A curve of one order more, and beyond the readings a
    straight line through the last one, are as good a guess; how far they are off counts too.
    """
    height = float(curve.at(np.array([place]))[0])
    slope = max(curve.slope_at(place), 0.1 * height / place)
    read = SURE * curve.error_at(place)
    others = RisingCurve.of_all_orders(amplitude, negative, error)[curve.order : curve.order + 1]
    guesses = [float(other.at(np.array([place]))[0]) for other in others]
    last = int(np.argmax(amplitude))
    if place > amplitude[last]:
        guesses.append(float(negative[last]) * place / float(amplitude[last]))
    bend = max((abs(guess - height) for guess in guesses), default=0.0)
    return (read + bend) / slope / place


def _positive(readings: Sequence[EnvelopeReading], limit: float) -> float | None:
    """Return the level that makes 100 % by the positive peaks, found in the same way."""
    seen = [one for one in readings if one.positive > max(SEEN, 2.0 * one.error)]
    if not seen:
        return None
    values = [(one.amplitude, one.positive, one.error) for one in seen]
    place = RisingCurve.through(*np.array(values).T).meets(limit)
    return None if place is None else decibels(place / limit)


def _crest(readings: Sequence[EnvelopeReading], place: float) -> float:
    """Return the positive peak at a level: between two readings on a straight line."""
    levels = np.array([0.0, *(one.amplitude for one in readings)])
    crests = np.array([0.0, *(one.positive for one in readings)])
    if place <= levels[-1]:
        return float(np.interp(place, levels, crests))
    return float(crests[-1] * place / levels[-1])
