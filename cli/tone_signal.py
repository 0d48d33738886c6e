"""From the options of ``tone`` to a signal, and what there is to say about it."""

import math
from dataclasses import dataclass
from typing import Any

from carrierfloor.cli import documents
from carrierfloor.cli.report import Report
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.signal_level import (
    antenna_pct,
    check_antenna,
    level_dbfs,
    limit_pct,
    modulation_pct,
    peak_of,
)
from carrierfloor.dsp.signals import Ramped, Signal, Staircase, Sweep, Tones
from carrierfloor.dsp.speech_noise import SpeechNoise

KINDS = ("sine", "two-tone", "staircase", "sweep", "noise")
LEVEL_DBFS, LEVEL_PCT = -20.0, 30.0  # without and with a rig; room for a resonant path
STAIRS_DBFS = (-40.0, -6.0, 2.0)  # first, last, step
STAIRS_FIRST_PCT, STAIRS_STEP_PCT = 10.0, 10.0  # up to the lower limit
SHORTEST_RAMP_MS, LONGEST_RAMP_MS = 5.0, 1000.0
MOST_STEPS = 200
LONGEST_S = 86_400.0  # a day


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the options say; levels in dBFS, with a rig in % modulation, ``None`` for the default.

    Each kind looks only at its own.
    """

    kind: str
    rig: str | None = None  # name or file
    rate_hz: int = 48_000
    ramp_ms: float = 50.0
    level: float | None = None
    seconds: float = 10.0
    endless: bool = False
    frequencies_hz: tuple[float, ...] = (1000.0,)
    first: float | None = None
    last: float | None = None
    step: float | None = None
    hold_s: float = 3.0
    polarity_step: bool = False
    lowest_hz: float = 20.0
    highest_hz: float = 10_000.0


@dataclass(frozen=True, kw_only=True)
class Tone:
    """A signal ready to be written or played."""

    wanted: Wanted
    rig: Rig | None
    signal: Ramped
    levels: tuple[float, ...]  # of the steps of a staircase

    @property
    def duration_s(self) -> float | None:
        """Length; ``None`` if it has no end."""
        frames = self.signal.samples
        return None if frames is None else frames / self.wanted.rate_hz

    def step_at(self, position: int) -> int:
        """Return the number, from 0, of the step of a staircase that a sample belongs to."""
        step = int(max(0, position) / self.wanted.rate_hz / self.wanted.hold_s)
        return min(step, len(self.levels) - 1)


def build(wanted: Wanted, sample_step: float) -> Tone:
    """Make the signal that the options ask for.

    Parameters
    ----------
    wanted : Wanted
        The options.
    sample_step : float
        Largest error of a stored sample.

    Raises
    ------
    SettingError
        If an option is out of range, the sound card would clip or the rig's limits would break.
    """
    rig = documents.rig(wanted.rig) if wanted.rig is not None else None
    _check(wanted)
    levels = _levels(wanted, rig)
    uneven_step = None
    if wanted.kind == "staircase" and wanted.polarity_step:
        uneven_step = (len(levels) + 1) // 2  # as high as the one before, half-way up
        levels = (*levels[:uneven_step], levels[uneven_step - 1], *levels[uneven_step:])
    peaks = [peak_of(level, rig, sample_step) for level in levels]
    peak = max(peaks, key=abs)
    signal = _signal(wanted, tuple(one / peak for one in peaks), uneven_step, peak < 0.0)
    if rig is not None:
        check_antenna(signal, peak, rig)
    frames = signal.samples or round(wanted.seconds * wanted.rate_hz)
    ramped = Ramped(
        signal=signal,
        peak=peak,
        ramp_samples=_ramp_samples(wanted),
        samples=None if wanted.endless else frames,
    )
    return Tone(wanted=wanted, rig=rig, signal=ramped, levels=levels)


def _check(wanted: Wanted) -> None:
    _within("ramp", wanted.ramp_ms, SHORTEST_RAMP_MS, LONGEST_RAMP_MS, "ms")
    shortest_s = 2.0 * wanted.ramp_ms / 1000.0
    if wanted.kind == "staircase":
        _within("hold", wanted.hold_s, shortest_s, LONGEST_S, "s", " (two ramps at least)")
    else:
        _within("seconds", wanted.seconds, shortest_s, LONGEST_S, "s", " (two ramps at least)")


def _within(what: str, value: float, low: float, high: float, unit: str, why: str = "") -> None:
    if not low <= value <= high:
        raise SettingError(
            f"{what} is {value:g} {unit}; it must be {low:.10g} to {high:.10g} {unit}{why}"
        )


def _ramp_samples(wanted: Wanted) -> int:
    return round(wanted.ramp_ms / 1000.0 * wanted.rate_hz)


def _levels(wanted: Wanted, rig: Rig | None) -> tuple[float, ...]:
    """Return the level of each step; kinds other than a staircase have one."""
    if wanted.kind != "staircase":
        default = LEVEL_DBFS if rig is None else LEVEL_PCT
        return (default if wanted.level is None else wanted.level,)
    if rig is None:
        first, last, step = STAIRS_DBFS
    else:
        first, last, step = STAIRS_FIRST_PCT, limit_pct(rig), STAIRS_STEP_PCT
    return _stairs(
        first if wanted.first is None else wanted.first,
        last if wanted.last is None else wanted.last,
        step if wanted.step is None else wanted.step,
    )


def _stairs(first: float, last: float, step: float) -> tuple[float, ...]:
    """Return levels from the first, up or down, that do not pass the last."""
    if not (math.isfinite(first) and math.isfinite(last)):
        raise SettingError(f"first and last are {first:g} and {last:g}; they must be numbers")
    if not 0.0 < step < math.inf:
        raise SettingError(f"step is {step:g}; it must be above 0, whether up or down")
    count = math.floor(abs(last - first) / step + 1e-9) + 1
    if count > MOST_STEPS:
        raise SettingError(f"{count} steps; at most {MOST_STEPS} are allowed: make step larger")
    signed = math.copysign(step, last - first)
    return tuple(first + signed * number for number in range(count))


def _signal(
    wanted: Wanted, shares: tuple[float, ...], uneven_step: int | None, turned_over: bool
) -> Signal:
    rate_hz = wanted.rate_hz
    if wanted.kind == "staircase":
        return Staircase(
            frequency_hz=wanted.frequencies_hz[0],
            sample_rate_hz=rate_hz,
            levels=shares,
            hold_samples=round(wanted.hold_s * rate_hz),
            glide_samples=_ramp_samples(wanted),
            uneven_step=uneven_step,
            turned_over=turned_over,
        )
    if wanted.kind in ("sine", "two-tone"):
        return Tones(frequencies_hz=wanted.frequencies_hz, sample_rate_hz=rate_hz)
    band = {"lowest_hz": wanted.lowest_hz, "highest_hz": wanted.highest_hz}
    if wanted.kind == "noise":
        return SpeechNoise(sample_rate_hz=rate_hz, **band)
    return Sweep(duration_s=wanted.seconds, sample_rate_hz=rate_hz, **band)


def report(tone: Tone) -> Report:
    """Return all there is to say about a signal, for a file."""
    wanted, signal, rig = tone.wanted, tone.signal, tone.rig
    found: dict[str, Any] = {
        "kind": wanted.kind,
        "sample_rate_hz": wanted.rate_hz,
        "duration_s": tone.duration_s,
        "ramp_ms": wanted.ramp_ms,
        "peak_dbfs": level_dbfs(signal.peak),
        **_shape(signal.signal),
    }
    if rig is not None:
        found["rig"] = {
            "name": rig.name,
            "source": wanted.rig,
            "full_modulation_dbfs": rig.level.full_modulation_dbfs,
            "polarity": rig.level.polarity,
        }
        found["modulation_pct"] = modulation_pct(signal.peak, rig)
        found["antenna_pct"] = antenna_pct(signal.signal, signal.peak, rig)
    if isinstance(signal.signal, Staircase):
        found["steps"] = _steps(tone, signal.signal)
    return found


def _shape(signal: Signal) -> dict[str, Any]:
    if isinstance(signal, Tones):
        return {"frequencies_hz": list(signal.frequencies_hz)}
    if isinstance(signal, Staircase):
        return {"frequencies_hz": [signal.frequency_hz]}
    if isinstance(signal, Sweep):
        return {
            "lowest_hz": signal.lowest_hz,
            "highest_hz": signal.highest_hz,
            "time_constant_s": signal.time_constant_s,
        }
    assert isinstance(signal, SpeechNoise)
    return {
        "lowest_hz": signal.lowest_hz,
        "highest_hz": signal.highest_hz,
        "rms_below_peak_db": -level_dbfs(signal.rms),
    }


def _steps(tone: Tone, stairs: Staircase) -> list[dict[str, Any]]:
    """Return when each step begins and its level, which it holds after the glide."""
    steps = []
    for number, share in enumerate(stairs.levels):
        peak = share * tone.signal.peak
        step = {
            "begins_s": number * stairs.hold_samples / tone.wanted.rate_hz,
            "level_dbfs": level_dbfs(peak),
        }
        if stairs.uneven_step is not None:
            step["uneven"] = number == stairs.uneven_step
        if tone.rig is not None:
            step["modulation_pct"] = modulation_pct(peak, tone.rig)
        steps.append(step)
    return steps
