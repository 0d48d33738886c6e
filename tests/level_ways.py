"""One staircase through one simulated transmitter, heard in every way that ``level`` knows."""

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from carrierfloor.cli import tone_signal
from carrierfloor.cli.tone_signal import Wanted
from carrierfloor.dsp.carrier_search import Samples
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.envelope_reading import EnvelopeReading
from carrierfloor.dsp.level_fit import LevelFit, fit_level
from carrierfloor.dsp.level_from_carrier import read_with_carrier
from carrierfloor.dsp.level_from_cutoff import read_by_cutoff
from carrierfloor.dsp.polarity_reading import polarity_of_steps
from carrierfloor.dsp.sent_staircase import SentStaircase, SentStep
from carrierfloor.dsp.staircase_match import Match, match
from carrierfloor.dsp.staircase_reading import StepPeriod, read_steps, unmodulated
from carrierfloor.dsp.tone_lines import ToneLines, ToneTrack
from tests.clips import Array
from tests.reference.radio import Radio, detector, resampled
from tests.reference.transmitter import FINE_HZ, Transmitter

LIMIT = 0.95
RAMP_S = 0.05


@dataclass(frozen=True)
class Stairs:
    """A staircase: its samples, and what is known of it."""

    card: Array
    sent: SentStaircase


def stairs(
    first: float = -28.0, last: float = -2.0, step: float = 2.0, hold_s: float = 0.5
) -> Stairs:
    """Return a staircase with the step that tells the polarity, as ``tone`` makes it."""
    wanted = Wanted(
        kind="staircase", first=first, last=last, step=step, hold_s=hold_s, polarity_step=True
    )
    tone = tone_signal.build(wanted, 0.0)
    rows = tone_signal.report(tone)["steps"]
    ends = [*(row["begins_s"] for row in rows[1:]), len(rows) * hold_s - RAMP_S]
    steps = tuple(
        SentStep(
            begins_s=row["begins_s"],
            ends_s=ends_s,
            level_dbfs=row["level_dbfs"],
            is_uneven=row["uneven"],
        )
        for row, ends_s in zip(rows, ends, strict=True)
    )
    sent = SentStaircase(frequency_hz=1000.0, glide_s=RAMP_S, steps=steps)
    return Stairs(np.concatenate(list(tone.signal.blocks())), sent)


def true_level_dbfs(transmitter: Transmitter, limit: float = LIMIT) -> float:
    """Return the level whose trough is at the limit, over the limit."""

    def off(amplitude: float) -> float:
        return transmitter.tone(amplitude)[1] - limit

    amplitude = float(optimize.brentq(off, 0.7, 1.3, xtol=1e-4, rtol=1e-5))
    return float(20 * np.log10(amplitude / limit * abs(transmitter.full_modulation)))


def lines_of_radio(envelope: Array, radio: Radio, *, is_iq: bool) -> ToneTrack:
    """Demodulate a simulated recording and look at its tone."""
    recording = (radio.iq if is_iq else radio.low_if)(envelope, FINE_HZ)
    return lines_of(recording, radio.rate_hz)


def lines_of(recording: Samples, rate_hz: float) -> ToneTrack:
    """Demodulate a recording, IQ if it is complex, and look at its tone."""
    demodulator = Demodulator(rate_hz, is_complex=np.iscomplexobj(recording))
    parts = [demodulator.process(recording), demodulator.finish()]
    lines = ToneLines(1000.0, demodulator.half_width_hz)
    for part in parts:
        lines.feed(part.in_phase, part.locked)
    return lines.read()


def lines_of_detector(envelope: Array, **options: float) -> ToneTrack:
    """Look at the tone in a simulated detector recording."""
    lines = ToneLines(1000.0, 20_000.0)
    lines.feed(detector(resampled(envelope, FINE_HZ, 48_000), 48_000, **options))  # type: ignore[arg-type]
    return lines.read()


@dataclass(frozen=True)
class Found:
    """What one way found."""

    fit: LevelFit
    polarity: str | None
    place: Match
    periods: list[StepPeriod]


def by_carrier(track: ToneTrack, sent: SentStaircase) -> Found:
    """Return what a recording with its carrier says."""
    place = match(track, sent)
    periods = read_steps(track, sent, place)
    readings = read_with_carrier(periods, *unmodulated(track, sent, place), place).readings
    return Found(fit_level(readings, LIMIT), polarity_of_steps(periods), place, periods)


def by_cutoff(track: ToneTrack, sent: SentStaircase, knee: float = 0.0) -> Found:
    """Return what a detector recording says."""
    place = match(track, sent)
    periods = read_steps(track, sent, place)
    found = read_by_cutoff(periods, knee)
    fit = fit_level(found.readings, LIMIT, found.scale_error)
    return Found(fit, polarity_of_steps(periods), place, periods)


def by_scope(
    transmitter: Transmitter, levels_dbfs: list[float], error: float, seed: int = 1
) -> LevelFit:
    """Return what readings from a scope say, each height off by a standard error of the carrier."""
    random = np.random.default_rng(seed)
    readings = []
    for level_dbfs in levels_dbfs:
        amplitude = 10 ** (level_dbfs / 20) / abs(transmitter.full_modulation)
        crest, trough = transmitter.tone(amplitude)
        off = random.normal(size=2) * error
        readings.append(
            EnvelopeReading(
                level_dbfs=level_dbfs,
                carrier=4.0,
                crest=4.0 * (1.0 + crest + off[0]),
                trough=4.0 * max(0.0, 1.0 - trough + off[1]),
                error=error,
            )
        )
    return fit_level(readings, LIMIT)
