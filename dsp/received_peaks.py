"""How far the modulation really went, and whether the carrier went off, from all that was read.

Noise makes the highest of many peaks too high.  A steady tone is averaged over its periods, so no
noise is left; other peaks have the noise's share taken out of the counts of their heights.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from carrierfloor.dsp.cutoff_finder import CutOff, CutoffReading
from carrierfloor.dsp.peak_heights import BIN, NEGLIGIBLE, highest_without_noise
from carrierfloor.dsp.received import ReceivedReading
from carrierfloor.dsp.tone_envelope import ToneEnvelope

AS_READ, TONE, COUNTED = "as read", "steady tone", "noise taken out"
MISSED_S = 0.5  # of a run at most, which is found in whole quarters of a second
COVERED = 0.9  # of the modulated time is steady tones: they are what was measured
# Of m, and times the rms of the noise: a peak read so far beyond a tone's is real.
CLEARLY, CLEAR_NOISES = 0.005, 5.0
HUM = 0.002  # rms of what lies beside a tone and is no noise: peaks are those of both together
LEAST_ERROR = 0.0005  # of m: filters, the grid
EDGE_PARTS = (0.9, 0.97, 1.05)  # of the deepest trough
FEWEST_AT_EDGE, MOST_EDGE_NOISE = 20, 0.012
# Two errors are exceeded by chance once in 44 times (normal distribution, one side): where no more
# of the troughs in doubt are "sure", none is.
BY_CHANCE = 0.05
FEWEST_FLAT = 10  # troughs that end flat above zero, and more than there are cut-offs
MOST_HELD_NOISE = 0.003  # rms; in more of it a bottom near zero may be a cut-off's
ABOVE_ZERO = 0.004  # of the carrier: a bottom that high, and clear of its error, is none of ringing


@dataclass(frozen=True, kw_only=True)
class ToneRun:
    """A steady tone, and how long it lasts."""

    start_s: float
    duration_s: float
    envelope: ToneEnvelope


@dataclass(frozen=True, kw_only=True)
class ReceivedPeaks:
    """Peaks and cut-offs; 1.0 is 100 %."""

    positive_peak: float
    negative_peak: float  # 1.0 if the carrier goes off
    wanted_negative_peak: float  # where the modulation aims
    by: str  # AS_READ, TONE or COUNTED
    error: float  # standard error of a peak
    cutoffs: int
    uncertain: int  # troughs of which noise does not let tell
    total_s: float
    longest_s: float
    first: tuple[CutOff, ...]
    edge: float | None  # troughs right at the deepest over those a little less deep; see _edge
    is_reversed: bool  # the envelope goes through zero and the phase turns over
    held_up_at: float | None  # height at which something holds the bottoms, 1.0 = the carrier


def peaks_of(reading: ReceivedReading, tones: Sequence[ToneRun]) -> ReceivedPeaks:
    """Put together what was read.

    Parameters
    ----------
    reading : ReceivedReading
        Of the whole recording.
    tones : sequence of ToneRun
        The steady tones in it.
    """
    noise = reading.noise_rms
    if not reading.modulated_s:
        return _with_cutoffs(reading, (), 0.0, 0.0, AS_READ, math.hypot(LEAST_ERROR, noise))
    raw = reading.modulation
    positive, negative, by = raw.positive_peak, raw.negative_peak, AS_READ
    error = math.hypot(LEAST_ERROR, 0.7 * noise)
    if noise >= NEGLIGIBLE:
        positive = min(positive, highest_without_noise(reading.crests, noise))
        negative = min(negative, highest_without_noise(reading.troughs, noise))
        by = COUNTED
    if tones_cover(reading, tones) and not _has_hum(tones, noise):
        beyond = CLEARLY + CLEAR_NOISES * noise
        highest = max(run.envelope.positive_peak for run in tones)
        deepest = max(run.envelope.negative_peak for run in tones)
        cut_off = any(run.envelope.is_cut_off for run in tones)
        shown = max(run.envelope.highest_read for run in tones)
        is_high = raw.positive_peak > max(highest, shown) + beyond
        is_deep = raw.negative_peak > deepest + beyond and not cut_off
        found = reading.cutoffs
        turns_over = all(run.envelope.turns_over for run in tones)
        is_turned = cut_off and turns_over and found.reversed > found.count // 2
        if not (is_high or is_deep or is_turned):
            positive, negative, by = highest, deepest, TONE
            error = math.hypot(LEAST_ERROR, max(run.envelope.error for run in tones))
    error = math.hypot(error, reading.reference_error * (1.0 + positive))
    return _with_cutoffs(reading, tones if by == TONE else (), positive, negative, by, error)


def tones_cover(reading: ReceivedReading, tones: Sequence[ToneRun]) -> bool:
    """Tell whether steady tones are all that modulates the carrier."""
    total_s = sum(run.duration_s + MISSED_S for run in tones)
    return bool(tones) and total_s >= COVERED * reading.modulated_s


@dataclass(frozen=True)
class Off:
    """How often and how long the carrier is off."""

    count: int = 0
    uncertain: int = 0
    total_s: float = 0.0
    longest_s: float = 0.0


def _with_cutoffs(
    reading: ReceivedReading,
    tones: Sequence[ToneRun],
    positive: float,
    negative: float,
    by: str,
    error: float,
) -> ReceivedPeaks:
    found, off = reading.cutoffs, beyond_doubt(reading.cutoffs)
    wanted = max(negative, found.wanted_depth if off.count else 0.0)
    held_up_at = _flat_bottom(found)
    held_at = held_up_at if off.count else None
    if reading.floor is not None:
        held_up_at = held_at = reading.floor.height
        error = math.hypot(error, reading.floor.error)
    if held_at is not None or _stays_above_zero(found, reading.noise_rms):
        off, wanted, negative = Off(), 0.0, min(negative, 1.0 - (held_at or 0.0))
    if tones:
        off = _of_tones(reading, tones)
        wanted = max(run.envelope.wanted_depth for run in tones)
        held_up_at = None if off.count else held_up_at
    is_reversed = not tones and off.count > 0 and found.reversed > off.count // 2
    if off.count and not is_reversed:
        negative = 1.0
    return ReceivedPeaks(
        positive_peak=max(0.0, positive),
        negative_peak=max(0.0, negative if is_reversed else min(negative, 1.0)),
        wanted_negative_peak=max(wanted, negative),
        by=by,
        error=error,
        cutoffs=off.count,
        uncertain=off.uncertain,
        total_s=off.total_s,
        longest_s=off.longest_s,
        first=found.first if off.count else (),
        edge=_edge(reading, min(negative, 1.0)),
        is_reversed=is_reversed,
        held_up_at=held_up_at,
    )


def beyond_doubt(found: CutoffReading) -> Off:
    """Return what was found; if no more seems sure than chance makes so, all is in doubt.

    Parameters
    ----------
    found : CutoffReading
        Of the whole recording.
    """
    if found.count <= BY_CHANCE * found.uncertain:
        return Off(uncertain=found.uncertain + found.count)
    return Off(found.count, found.uncertain, found.total_s, found.longest_s)


def _of_tones(reading: ReceivedReading, tones: Sequence[ToneRun]) -> Off:
    """Return what steady tones do; they go on to their ends, their runs end sooner."""
    off = [run for run in tones if run.envelope.is_cut_off]
    if not off:
        return Off()
    part = reading.modulated_s / sum(run.duration_s for run in tones)
    periods = [round(part * run.duration_s * run.envelope.frequency_hz) for run in off]
    shares = [run.envelope.off_share / run.envelope.frequency_hz for run in off]
    return Off(sum(periods), 0, float(np.dot(periods, shares)), max(shares))


def _flat_bottom(found: CutoffReading) -> float | None:
    """Return the height at which many more troughs than go to zero end flat."""
    return found.flat_bottom if found.flat >= max(FEWEST_FLAT, 2 * found.count) else None


def _stays_above_zero(found: CutoffReading, noise_rms: float) -> bool:
    """Tell whether the bottoms cannot be zero, though their flanks aim there."""
    if not found.count or noise_rms > MOST_HELD_NOISE:
        return False
    return found.bottom >= max(ABOVE_ZERO, 4.0 * found.bottom_error)


def _edge(reading: ReceivedReading, deepest: float) -> float | None:
    """Return how sharp an edge the depths of troughs have; ``None`` if it cannot be told.

    A limiter that knows the path makes many troughs end at the same depth.  Behind another path
    some of them are deeper and some less deep.  On simulated transmitters the ratio was 1.9 and
    more with the true path, 1.3 and less with others.
    """
    if reading.noise_rms > MOST_EDGE_NOISE:
        return None
    bins = [round(part * deepest / BIN) for part in EDGE_PARTS]
    below, at = (int(reading.troughs[low:high].sum()) for low, high in pairwise(bins))
    return at / below if at >= FEWEST_AT_EDGE and below else None


def _has_hum(tones: Sequence[ToneRun], noise: float) -> bool:
    """Tell whether more than noise and the tone is there."""
    rests = [run.envelope.rest_rms for run in tones]
    return any(rest**2 - (1.2 * noise) ** 2 > HUM**2 for rest in rests)
