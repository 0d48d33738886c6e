"""Notes on a level: what a person should know, in sentences."""

from collections.abc import Iterator
from itertools import pairwise

from carrierfloor.cli.level_found import SCOPE, LevelFound
from carrierfloor.cli.level_report import carrier_shift
from carrierfloor.cli.recording_in import DETECTOR
from carrierfloor.dsp.level_fit import CLOSED
from carrierfloor.dsp.rig import Rig

POOR_ERROR_PCT = 5.0
SHALLOW = 0.75  # of the limit: the deepest trough that was used is far from it
COMPRESSED, RAISED = 0.95, 1.05  # crest over trough at the limit
MISREADS = 0.01  # by which (A - B)/(A + B) is off
REVERSED = 1.05  # negative peak: no cut-off holds it at 100 %
MUCH_SHIFT = 0.03  # of the mean envelope
MUCH_CHANGE = 0.02  # of the carrier over the recording


def notes(found: LevelFound, before: Rig) -> list[str]:
    """Return the notes.

    Parameters
    ----------
    found : LevelFound
        What was found.
    before : Rig
        As it was before.
    """
    return [
        *_on_polarity(found, before),
        *_on_readings(found),
        *_on_linearity(found),
        *_on_recording(found),
        *_on_frequency(found, before),
    ]


def _on_polarity(found: LevelFound, before: Rig) -> Iterator[str]:
    has = before.level.polarity
    if found.polarity is not None and found.polarity != has:
        yield (
            f"The polarity in the rig file was wrong: {has}; it becomes {found.polarity}. Without "
            "that the limiter would have held the wrong side of the envelope."
        )
    elif found.polarity is None and found.has_uneven_step:
        yield (
            "The step that tells the polarity does not tell it: the path turns 2 kHz too far "
            f"against 1 kHz. The rig file keeps its polarity, {has}."
        )
    elif found.polarity is None:
        how = (
            "read the uneven signal too (--uneven)"
            if found.method == SCOPE
            else "send tone staircase --polarity-step"
        )
        yield (f"A sine cannot tell the polarity; {how}. The rig file keeps its polarity, {has}.")
    if found.polarity is not None and found.method == DETECTOR:
        yield (
            "The polarity holds if more carrier makes the recording more positive; where the "
            "detector or the sound card turns it over, give --inverted."
        )


def _on_readings(found: LevelFound) -> Iterator[str]:
    fit = found.fit
    for reading, contradicts in zip(fit.readings, fit.contradicts, strict=True):
        if contradicts:
            yield (
                f"The reading at {reading.level_dbfs:.1f} dBFS contradicts all others "
                f"({100 * reading.negative:.0f} % negative) and was left out; look again."
            )
    rising = [one for one in fit.readings if one.negative < CLOSED]
    for lower, upper in pairwise(rising):
        if upper.negative < lower.negative - 4.0 * (lower.error + upper.error):
            yield (
                f"The trough is shallower at {upper.level_dbfs:.1f} dBFS than at "
                f"{lower.level_dbfs:.1f} dBFS: one of the two readings is wrong, or something "
                "turned the gain down meanwhile."
            )
    deepest = _deepest_used(found)
    if deepest < SHALLOW * fit.limit:
        yield (
            f"The deepest trough that tells the level is {100 * deepest:.0f} %; the level is "
            f"continued from there to {100 * fit.limit:g} %. Steps nearer to it tell it better."
        )
    if fit.error_pct > POOR_ERROR_PCT:
        yield (
            f"The level is known to {fit.error_pct:.0f} % of the modulation only: the readings "
            "scatter, or end too early. Take more, and nearer to the limit."
        )


def _deepest_used(found: LevelFound) -> float:
    pairs = zip(found.fit.readings, found.fit.used, strict=True)
    return max(reading.negative for reading, is_used in pairs if is_used)


def _on_linearity(found: LevelFound) -> Iterator[str]:
    fit = found.fit
    deepest = max(reading.negative for reading in fit.readings)
    if deepest > REVERSED:
        yield (
            f"The envelope goes through zero, to -{100 * deepest:.0f} %: the carrier's phase turns "
            "over, as in a balanced modulator. Beyond 100 % a diode sees the trough rise again."
        )
    ratio = fit.crest_at_limit / fit.limit
    if _deepest_used(found) < SHALLOW * fit.limit:
        ratio = 1.0  # nobody has seen the crest there
    crest, limit = 100.0 * fit.crest_at_limit, 100.0 * fit.limit
    if ratio < COMPRESSED:
        yield (
            f"Positive peaks are compressed: +{crest:.0f} % where the trough is -{limit:g} %. What "
            "the positive limit allows beyond that is lost."
        )
    elif ratio > RAISED:
        yield (
            f"Positive peaks rise faster than the troughs: +{crest:.0f} % where the trough is "
            f"-{limit:g} %; the peak power is that much higher than the positive limit says."
        )
    symmetric = (fit.crest_at_limit + fit.limit) / (2.0 + fit.crest_at_limit - fit.limit)
    if abs(symmetric - fit.limit) > MISREADS:
        yield (
            f"There (A - B)/(A + B) reads {100 * symmetric:.0f} %: it is right for a symmetric "
            "envelope only and was not used."
        )
    if fit.flat_dbfs is not None and fit.floor is not None:
        yield (
            f"Troughs stop to deepen at -{100 * fit.floor:.0f} % from {fit.flat_dbfs:.1f} dBFS on: "
            "something holds the carrier up, or the modulator gives no more."
        )
    shift = carrier_shift(found)
    if shift is not None and abs(shift) > MUCH_SHIFT:
        way = "downward" if shift < 0.0 else "upward"
        yield (
            f"{way.capitalize()} carrier shift: the mean envelope moves by {100 * shift:+.1f} % "
            "with the modulation (or the receiver's automatic gain moved it: switch that off)."
        )


def _on_recording(found: LevelFound) -> Iterator[str]:
    if found.steps_missed:
        one = found.steps_missed == 1
        steps, are = ("1 step", "is") if one else (f"{found.steps_missed} steps", "are")
        yield f"{steps} of the staircase {are} not in the recording."
    if found.carrier_from_step:
        yield (
            "The carrier was never recorded alone; the mean envelope of the lowest step stands in "
            "for it."
        )
    if found.carrier_change is not None and abs(found.carrier_change) > MUCH_CHANGE:
        yield (
            f"The carrier's height changed by {100 * found.carrier_change:+.1f} % from before the "
            "staircase to behind it; a straight line in between was taken."
        )
    if found.method == DETECTOR:
        steps = "1 step" if found.flat_steps == 1 else f"{found.flat_steps} steps"
        yield (
            f"The flat bottom of {steps} was taken for carrier cut-off. If a diode's knee or "
            "anything that holds the carrier up makes it flat before, the true level is a little "
            "higher: the error is on the safe side."
        )
    if found.flat_crest is not None:
        yield (
            f"Crests are cut flat too, at +{100 * found.flat_crest:.0f} %: by the modulator, or by "
            "an overloaded stage between detector and sound card. Turn the detector's signal down "
            "before it and record anew: a level that is higher then is the true one."
        )
    if found.nonfinite_samples:
        yield f"{found.nonfinite_samples} samples were infinite or no number; they count as 0."


def _on_frequency(found: LevelFound, before: Rig) -> Iterator[str]:
    if abs(found.frequency_hz - 1000.0) < 1.0:
        return
    if before.paths:
        yield (
            f"The tone was at {found.frequency_hz:g} Hz; the level at 1 kHz follows from the "
            "rig's paths."
        )
    else:
        yield (
            f"The tone was at {found.frequency_hz:g} Hz and the rig has no paths: it is taken to "
            "be as loud at 1 kHz. Use a tone of 1000 Hz, or measure the path."
        )
