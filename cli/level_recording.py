"""``level recording``: the level from a recording of the staircase."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from carrierfloor.cli import level_result, screen
from carrierfloor.cli.level_found import LevelFound
from carrierfloor.cli.recording_in import DETECTOR, IQ, RecordingIn
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.cli.sent_file import read_sent
from carrierfloor.dsp.demodulate import HALF_WIDTH_HZ, Demodulator
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.level_at_1_khz import level_at_1_khz
from carrierfloor.dsp.level_fit import LevelFit, fit_level
from carrierfloor.dsp.level_from_carrier import read_with_carrier
from carrierfloor.dsp.level_from_cutoff import read_by_cutoff
from carrierfloor.dsp.polarity_reading import polarity_of_steps
from carrierfloor.dsp.resampler import Resampler, highest_passed_hz
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.sent_staircase import SentStaircase
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ
from carrierfloor.dsp.staircase_match import Match, match
from carrierfloor.dsp.staircase_reading import StepPeriod, read_steps, unmodulated
from carrierfloor.dsp.tone_lines import ToneLines, ToneTrack

DEEPEST_KNEE_PCT = 30.0


@dataclass(frozen=True, kw_only=True)
class RecordingOptions:
    """All options of ``level recording``."""

    file: Path
    kind: str
    sent: Path
    rig: str
    format: str | None = None
    rate: float | None = None
    channel: str = "mix"
    carrier: float | None = None  # in Hz
    width: float = HALF_WIDTH_HZ
    knee: float = 0.0  # in % of the carrier
    inverted: bool = False
    dry_run: bool = False
    report: Path | None = None


@dataclass(frozen=True, kw_only=True)
class _Heard:
    """The lines of the tone in a recording, and what else was noticed."""

    track: ToneTrack
    nonfinite_samples: int
    carrier_hz: float | None = None
    drift_hz_per_s: float | None = None


def level_recording(options: RecordingOptions) -> int:
    """Find the level from a recording and put it into the rig file.

    Raises
    ------
    CarrierfloorError
        If a file or an option cannot be used, or the recording does not tell the level.
    """
    level_result.check_report(options.report)
    _check(options)
    rig = RigFile(options.rig).rig
    sent = read_sent(options.sent)
    heard = _listen(options, sent.frequency_hz)
    try:
        found = _found(options, heard, sent, rig)
    except AudioError as error:
        raise AudioError(f"{options.file}: {error}") from None
    return level_result.finish(found, options.rig, options.report, dry_run=options.dry_run)


def _check(options: RecordingOptions) -> None:
    if not 0.0 <= options.knee <= DEEPEST_KNEE_PCT:
        raise SettingError(f"--knee is {options.knee:g} %; it must be 0 to {DEEPEST_KNEE_PCT:g} %")
    for option, given in (("knee", options.knee), ("inverted", options.inverted)):
        if given and options.kind != DETECTOR:
            raise SettingError(f"--{option} goes with --kind detector only")
    if options.carrier is not None and options.kind == DETECTOR:
        raise SettingError("--carrier goes with --kind iq or if only")


def _listen(options: RecordingOptions, frequency_hz: float) -> _Heard:
    """Run the recording through once."""
    with (
        RecordingIn(
            options.file,
            options.kind,
            raw_format=options.format,
            rate_hz=options.rate,
            channel=options.channel,
        ) as recording,
        screen.progress_bar() as bar,
    ):
        task = bar.add_task(options.file.name, total=1.0)
        listen = _detector if options.kind == DETECTOR else _carrier
        return listen(
            recording,
            options,
            frequency_hz,
            lambda: bar.update(task, completed=recording.part_read),
        )


def _carrier(
    recording: RecordingIn, options: RecordingOptions, frequency_hz: float, look: Callable[[], None]
) -> _Heard:
    demodulator = Demodulator(
        recording.sample_rate_hz,
        is_complex=options.kind == IQ,
        half_width_hz=options.width,
        carrier_hz=options.carrier,
    )
    lines: ToneLines | None = None
    for block in recording.blocks():
        try:
            ready = demodulator.process(block)
        except AudioError as error:
            raise AudioError(f"{options.file}: {error}") from None
        if lines is None and len(ready):  # only now it is known how much the band holds
            lines = ToneLines(frequency_hz, demodulator.half_width_hz)
        if lines is not None:
            lines.feed(ready.in_phase, ready.locked)
        look()
    rest = demodulator.finish()
    lines = lines or ToneLines(frequency_hz, demodulator.half_width_hz)
    lines.feed(rest.in_phase, rest.locked)
    track = demodulator.track
    if not track.was_found:
        raise AudioError(
            f"{options.file}: no carrier is in it; if it is demodulated give --kind detector, or "
            "say with --carrier HZ where about the carrier lies"
        )
    return _Heard(
        track=lines.read(),
        nonfinite_samples=recording.health.nonfinite_samples,
        carrier_hz=track.mean_hz,
        drift_hz_per_s=track.drift_hz_per_s,
    )


def _detector(
    recording: RecordingIn, options: RecordingOptions, frequency_hz: float, look: Callable[[], None]
) -> _Heard:
    resampler = Resampler(recording.sample_rate_hz, SAMPLE_RATE_HZ)
    lines = ToneLines(
        frequency_hz, highest_passed_hz(min(recording.sample_rate_hz, SAMPLE_RATE_HZ))
    )
    for block in recording.blocks():
        lines.feed(resampler.process(block))
        look()
    lines.feed(resampler.finish())
    return _Heard(track=lines.read(), nonfinite_samples=recording.health.nonfinite_samples)


def _found(options: RecordingOptions, heard: _Heard, sent: SentStaircase, rig: Rig) -> LevelFound:
    place = match(heard.track, sent)
    periods = read_steps(heard.track, sent, place)
    if options.inverted:
        periods = [period.turned_over for period in periods]
    limit = rig.modulation.negative_limit_pct / 100.0
    common: dict[str, Any] = {
        "method": options.kind,
        "source": str(options.file),
        "frequency_hz": sent.frequency_hz,
        "polarity": polarity_of_steps(periods),
        "has_uneven_step": any(period.sent.is_uneven for period in periods),
        "steps_missed": len(sent.steps) - len(periods),
        "carrier_hz": heard.carrier_hz,
        "drift_hz_per_s": heard.drift_hz_per_s,
        "nonfinite_samples": heard.nonfinite_samples,
    }
    try:
        fit, more = _fitted(options, heard, sent, place, periods, limit)
    except AudioError as error:
        if not common["steps_missed"]:
            raise
        raise AudioError(
            f"{error}; {common['steps_missed']} of the {len(sent.steps)} steps that were sent are "
            "not in the recording"
        ) from None
    return LevelFound(
        **common,
        **more,
        fit=fit,
        full_modulation_dbfs=level_at_1_khz(fit.full_modulation_dbfs, sent.frequency_hz, rig),
    )


def _fitted(
    options: RecordingOptions,
    heard: _Heard,
    sent: SentStaircase,
    place: Match,
    periods: list[StepPeriod],
    limit: float,
) -> tuple[LevelFit, dict[str, Any]]:
    """Return the level, and what else the way that it was found tells."""
    if options.kind == DETECTOR:
        by_cutoff = read_by_cutoff(periods, options.knee / 100.0)
        fit = fit_level(by_cutoff.readings, limit, by_cutoff.scale_error)
        return fit, {"flat_steps": by_cutoff.flat_steps, "flat_crest": by_cutoff.flat_crest}
    quiet_s, quiet = unmodulated(heard.track, sent, place)
    by_carrier = read_with_carrier(periods, quiet_s, quiet, place)
    fit = fit_level(by_carrier.readings, limit)
    return fit, {
        "carrier_from_step": by_carrier.is_from_step,
        "carrier_change": by_carrier.change,
    }
