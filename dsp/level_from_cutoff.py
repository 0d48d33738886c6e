"""Readings of a staircase in a detector recording, which has lost its DC, by the flat bottom.

Where the carrier is cut off the envelope is zero, so the trough stays flat there however high the
tone: it marks -100 %.  The unmodulated carrier is where the tone crosses zero; the mean of both
crossings is taken, so that the droop of a sound card's high-pass cancels.

A stage that is overloaded on the way to the sound card cuts troughs flat too, and crests with them.
Where both are cut alike, nothing tells it from a modulator that goes as far up as down.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level_fit import flat_from
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.staircase_reading import POINTS, StepPeriod

BEYOND = 1.12  # of the level that just cuts off: from there the bottom is wide enough to be read
NARROW = POINTS // 24  # points on each side of the trough: 15 degrees
STILL_RISING = 0.9  # of the bottom's depth: a trough above is not held by it
NEAR_BOTTOM = 0.95  # of the depth
FLATTER = 0.5  # of the way from a round trough to a flat one
HARD = 0.85  # of that way: a crest cut off at once; soft compression came to 0.7
ALIKE = 0.05  # of the depth: crests and troughs cut alike, with some distortion before
UNKNOWN_ERROR = 0.003  # of the carrier: where a band-limited flat bottom lies exactly
CROSSINGS = (POINTS // 4, 3 * POINTS // 4)
TROUGH = POINTS // 2


@dataclass(frozen=True, kw_only=True)
class CutoffReadings:
    """Readings against the height that the flat bottom gives the carrier."""

    readings: tuple[EnvelopeReading, ...]  # of the sine steps
    scale_error: float  # 95 % error of the carrier's height, a part of it
    flat_steps: int  # steps whose bottom was measured
    flat_crest: float | None  # positive peak where crests are cut flat too, 1.0 = 100 %


@dataclass(frozen=True, kw_only=True)
class _Bottom:
    """What the flat bottoms say."""

    carrier: float  # its height
    scale_error: float
    wide: tuple[StepPeriod, ...]  # the steps that were measured
    rising: StepPeriod  # the last one before


def read_by_cutoff(periods: Sequence[StepPeriod], knee: float = 0.0) -> CutoffReadings:
    """Find the bottom and put all crests and troughs against it.

    Parameters
    ----------
    periods : sequence of StepPeriod
        From ``read_steps``; a positive signal is more carrier.
    knee : float
        Height of the carrier at which the detector begins to conduct, as a part of the
        unmodulated carrier: its bottom lies there and not at zero.

    Raises
    ------
    AudioError
        If no trough is flat, crests are flat where troughs should be, or both are cut alike.
    """
    sines = sorted(
        (period for period in periods if not period.sent.is_uneven),
        key=lambda period: period.sent.peak,
    )
    amplitude = np.array([period.sent.peak for period in sines])
    depth = np.array([_crossing(period) - period.wave.min() for period in sines])
    height = np.array([period.wave.max() - _crossing(period) for period in sines])
    error = np.array([period.error for period in sines])
    bottom = _bottom(sines, amplitude, depth, error)
    if bottom is None:
        _refuse(sines, amplitude, height, error)
    crests = _flat_crests(bottom)
    carrier = bottom.carrier / (1.0 - knee)
    readings = tuple(
        EnvelopeReading(
            level_dbfs=period.sent.level_dbfs,
            carrier=1.0,
            crest=1.0 + high / carrier,
            trough=max(0.0, 1.0 - low / carrier),
            error=float(np.hypot(period.error / carrier, UNKNOWN_ERROR)),
        )
        for period, high, low in zip(sines, height, depth, strict=True)
    )
    return CutoffReadings(
        readings=readings,
        scale_error=bottom.scale_error,
        flat_steps=len(bottom.wide),
        flat_crest=crests[0] / carrier if crests else None,
    )


def _crossing(period: StepPeriod) -> float:
    """Return the signal where the tone crosses zero: the unmodulated carrier."""
    return float(period.wave[list(CROSSINGS)].mean())


def _bottom(
    sines: Sequence[StepPeriod], amplitude: Block, depth: Block, error: Block
) -> _Bottom | None:
    """Return what the flat bottoms say, None if there is none."""
    scale = float(depth.max(initial=0.0)) or 1.0
    flat = flat_from(amplitude, depth / scale, np.hypot(error / scale, UNKNOWN_ERROR))
    if not 0 < flat < len(sines):
        return None
    rising = np.flatnonzero(depth[:flat] < STILL_RISING * scale)
    if not len(rising):
        return None
    last = int(rising[-1])  # from here on as it would go without a bottom
    unheld = depth[last] / amplitude[last] * amplitude
    wide = [
        period
        for period, would in zip(sines, unheld, strict=True)
        if would > BEYOND * scale and _flatness(period, float(would) / scale) > FLATTER
    ]
    if not wide:
        return None
    bottoms = np.array([_bottom_depth(period) for period in wide])
    carrier = float(bottoms.mean())
    spread = float(bottoms.std(ddof=1)) / carrier / math.sqrt(len(wide)) if len(wide) > 1 else 0.01
    return _Bottom(
        carrier=carrier,
        scale_error=2.0 * math.hypot(spread, UNKNOWN_ERROR),
        wide=tuple(wide),
        rising=sines[last],
    )


def _flat_crests(bottom: _Bottom) -> list[float]:
    """Return the heights of crests that are cut flat where troughs are.

    Raises
    ------
    AudioError
        If where troughs begin to be flat crests are cut in the same way.
    """
    unheld = (bottom.rising.wave.max() - _crossing(bottom.rising)) / bottom.rising.sent.peak
    crests = []
    for period in bottom.wide:
        upside_down = period.turned_over
        crest = _bottom_depth(upside_down)
        would = float(unheld) * period.sent.peak / crest
        if would < BEYOND or _flatness(upside_down, would) < HARD:
            continue
        crests.append(crest)
        if period is bottom.wide[0] and abs(crest / _bottom_depth(period) - 1.0) < ALIKE:
            raise AudioError(
                f"crests and troughs are cut flat alike at {period.sent.level_dbfs:.1f} dBFS, as "
                "by an overloaded stage between detector and sound card: turn the detector's "
                "signal down before it and record anew; if that changes nothing, the modulator "
                "itself does it: then use level scope, or record IQ"
            )
    return crests


def _bottom_depth(period: StepPeriod) -> float:
    """Return the mean depth around the trough, which a slope or a ripple there does not move."""
    near = period.wave[TROUGH - NARROW : TROUGH + NARROW + 1]
    return _crossing(period) - float(near.mean())


def _flatness(period: StepPeriod, would: float) -> float:
    """Tell a trough cut flat (1) from a round one (0), by its width near the bottom.

    A sine of ``would`` times the depth, cut off, is within 5 % of the bottom for
    2 arccos(0.95 / would) of the period; a round trough for 2 arccos(0.95).
    """
    near = _crossing(period) - period.wave >= NEAR_BOTTOM * _bottom_depth(period)
    round_part, flat_part = (math.acos(NEAR_BOTTOM / ratio) / math.pi for ratio in (1.0, would))
    return (float(near.mean()) - round_part) / (flat_part - round_part)


def _refuse(sines: Sequence[StepPeriod], amplitude: Block, height: Block, error: Block) -> NoReturn:
    upside_down = [period.turned_over for period in sines]
    if _bottom(upside_down, amplitude, height, error):
        raise AudioError(
            "the crests are flat and the troughs are not: the modulator saturates before the "
            "carrier is cut off, or the detector's signal is upside down (then give --inverted)"
        )
    raise AudioError(
        "no trough is flat, so nothing marks -100 % and the level cannot be told; let the "
        "staircase go on until the carrier is cut off (into a dummy load, and without --rig, "
        "which stops before that), or record IQ"
    )
