"""Readings of a staircase in a recording that holds the carrier, IQ or low-IF.

The height of the carrier without modulation is that before and behind the staircase; in between it
is taken to move along a straight line.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.staircase_match import Match
from carrierfloor.dsp.staircase_reading import StepPeriod

KEYED = 0.5  # of the height during the steps: less is no carrier
FEWEST_QUIET = 3  # looks at the carrier alone
# The mean envelope may sag with the modulation, but not by more at once.
JUMP = 0.06
UNKNOWN_ERROR = 2e-4  # of the carrier: ripple of filters, hum in step with the tone
# Where the carrier is cut off a band-limited envelope rings to a little below zero; further down
# its phase turns over, as in a balanced modulator.
RINGS = 0.05


@dataclass(frozen=True, kw_only=True)
class CarrierReadings:
    """Readings, and how the carrier behaved meanwhile."""

    readings: tuple[EnvelopeReading, ...]  # of the sine steps
    is_from_step: bool  # the carrier alone was not recorded; the lowest step's mean stands in
    change: float | None  # carrier behind the staircase over that before it, less 1


def read_with_carrier(
    periods: Sequence[StepPeriod], quiet_s: Block, quiet: Block, match: Match
) -> CarrierReadings:
    """Put crest and trough of every step against the carrier.

    Parameters
    ----------
    periods : sequence of StepPeriod
        From ``read_steps``.
    quiet_s, quiet : ndarray, shape (n,)
        Times and heights of what was there outside the staircase.
    match : Match
        Where the staircase lies.

    Raises
    ------
    AudioError
        If the gain of the receiver changed meanwhile.
    """
    sines = [period for period in periods if not period.sent.is_uneven]
    if not sines:
        raise AudioError("no step of a steady tone is in it")
    _refuse_jumps(sines, match)
    keyed = quiet > KEYED * float(np.median([period.mean for period in sines]))
    before = _height(quiet[keyed & (quiet_s < match.begins_s)])
    behind = _height(quiet[keyed & (quiet_s > match.begins_s)])
    ends = [height for height in (before, behind) if height is not None]
    change = None if before is None or behind is None else behind / before - 1.0
    if change is not None and abs(change) > JUMP:
        raise AudioError(
            f"the carrier is {decibels(1.0 + change):+.1f} dB higher behind the staircase than "
            "before it: switch the receiver's automatic gain off, and let the transmitter warm up"
        )
    lowest = min(sines, key=lambda period: period.sent.peak)
    first, last = (ends[0], ends[-1]) if ends else (lowest.mean, lowest.mean)
    length_s = max(period.sent.ends_s for period in sines)
    readings = []
    for period in sines:
        part = (period.sent.begins_s + period.sent.ends_s) / 2.0 / length_s
        readings.append(_reading(period, first + (last - first) * part))
    return CarrierReadings(readings=tuple(readings), is_from_step=not ends, change=change)


def _height(quiet: Block) -> float | None:
    """Return the usual height, which keying up and down does not move."""
    return float(np.median(quiet)) if len(quiet) >= FEWEST_QUIET else None


def _reading(period: StepPeriod, height: float) -> EnvelopeReading:
    wave = period.wave
    trough = (period.mean + float(wave.min())) / height
    return EnvelopeReading(
        level_dbfs=period.sent.level_dbfs,
        carrier=1.0,
        crest=(period.mean + float(wave.max())) / height,
        trough=0.0 if -RINGS < trough < 0.0 else trough,
        error=float(np.hypot(period.error / height, UNKNOWN_ERROR)),
        shift=period.mean / height - 1.0,
    )


def _refuse_jumps(periods: Sequence[StepPeriod], match: Match) -> None:
    for period in periods:
        if period.mean_spread > JUMP * period.mean:
            at_s = match.begins_s + match.clock_ratio * period.sent.begins_s
            raise AudioError(
                f"the carrier moves by {100.0 * period.mean_spread / period.mean:.0f} % while the "
                f"step at {at_s:.1f} s is held: switch the receiver's automatic gain off, and "
                "record from the dummy load, where nothing fades"
            )
