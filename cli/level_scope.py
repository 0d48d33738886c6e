"""``level scope``: the level from what the operator reads on an oscilloscope."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from carrierfloor.cli import level_result
from carrierfloor.cli.level_found import SCOPE, LevelFound
from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.envelope_reading import EnvelopeReading, check_reading
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.level_at_1_khz import level_at_1_khz
from carrierfloor.dsp.level_fit import fit_level
from carrierfloor.dsp.polarity_reading import polarity_of_reading
from carrierfloor.dsp.rig import Rig

READING = "--reading takes DBFS CREST TROUGH CARRIER; CARRIER may be left out if --carrier says it"
UNEVEN = "--uneven takes CREST TROUGH CARRIER; CARRIER may be left out if --carrier says it"
LOWEST_DBFS = -120.0
SMALLEST_ERROR_PCT, LARGEST_ERROR_PCT = 0.1, 20.0


@dataclass(frozen=True, kw_only=True)
class ScopeOptions:
    """All options of ``level scope``."""

    rig: str
    output: str | None = None
    channel: str = "both"
    readings: Sequence[Sequence[float]] = ()  # level, crest, trough and perhaps carrier
    uneven: Sequence[float] | None = None  # crest, trough and perhaps carrier
    carrier: float | None = None
    error: float = 2.0  # in % of the carrier
    frequency: float = 1000.0
    dry_run: bool = False
    report: Path | None = None


def level_scope(options: ScopeOptions) -> int:
    """Find the level from readings, given as options or asked for while the steps are played.

    Raises
    ------
    CarrierfloorError
        If an option, the device or a reading cannot be used, or they do not tell the level.
    """
    level_result.check_report(options.report)
    _check(options)
    rig = RigFile(options.rig).rig
    if options.output is not None:
        from carrierfloor.cli.level_session import LevelSession

        readings, uneven = LevelSession(options, rig).run()
    else:
        readings = [_reading(options, numbers) for numbers in options.readings]
        uneven = _uneven(options)
    found = found_by_scope(readings, uneven, rig, options.frequency)
    return level_result.finish(found, options.rig, options.report, dry_run=options.dry_run)


def found_by_scope(
    readings: Sequence[EnvelopeReading],
    uneven: EnvelopeReading | None,
    rig: Rig,
    frequency_hz: float,
) -> LevelFound:
    """Return what the readings say.

    Raises
    ------
    AudioError
        If they do not tell the level.
    """
    fit = fit_level(readings, rig.modulation.negative_limit_pct / 100.0)
    return LevelFound(
        method=SCOPE,
        source=SCOPE,
        frequency_hz=frequency_hz,
        fit=fit,
        full_modulation_dbfs=level_at_1_khz(fit.full_modulation_dbfs, frequency_hz, rig),
        polarity=None if uneven is None else polarity_of_reading(uneven),
        has_uneven_step=uneven is not None,
    )


def checked(
    level_dbfs: float, crest: float, trough: float, carrier: float, error_pct: float
) -> EnvelopeReading:
    """Return a reading.

    Raises
    ------
    SettingError
        If no envelope looks like that.
    """
    reading = EnvelopeReading(
        level_dbfs=level_dbfs,
        carrier=carrier,
        crest=crest,
        trough=trough,
        error=error_pct / 100.0,
    )
    check_reading(reading)
    return reading


def _check(options: ScopeOptions) -> None:
    if options.output is not None and (options.readings or options.uneven):
        raise SettingError("--output asks for readings by itself; leave --reading and --uneven out")
    if options.output is None and not options.readings:
        raise SettingError(
            "nothing to go by: give --output DEVICE to play the steps and be asked, or --reading "
            "DBFS CREST TROUGH CARRIER for each step of tone staircase"
        )
    if not SMALLEST_ERROR_PCT <= options.error <= LARGEST_ERROR_PCT:
        raise SettingError(
            f"--reading-error is {options.error:g} %; it must be {SMALLEST_ERROR_PCT:g} to "
            f"{LARGEST_ERROR_PCT:g} % of the carrier"
        )
    levels = [numbers[0] for numbers in options.readings]
    for level in levels:
        if not LOWEST_DBFS <= level <= 0.0:
            raise SettingError(
                f"--reading at {level:g} dBFS: levels are {LOWEST_DBFS:g} to 0 dBFS, the peak of "
                "the tone at the sound card"
            )


def _reading(options: ScopeOptions, numbers: Sequence[float]) -> EnvelopeReading:
    level_dbfs, crest, trough, carrier = _with_carrier(numbers, 4, options.carrier, READING)
    return checked(level_dbfs, crest, trough, carrier, options.error)


def _uneven(options: ScopeOptions) -> EnvelopeReading | None:
    if options.uneven is None:
        return None
    crest, trough, carrier = _with_carrier(options.uneven, 3, options.carrier, UNEVEN)
    return checked(0.0, crest, trough, carrier, options.error)


def _with_carrier(
    numbers: Sequence[float], count: int, carrier: float | None, usage: str
) -> Sequence[float]:
    if len(numbers) == count:
        return numbers
    if len(numbers) == count - 1 and carrier is not None:
        return [*numbers, carrier]
    raise SettingError(usage)
