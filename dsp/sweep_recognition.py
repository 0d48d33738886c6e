"""Recognise an exponential sweep by its samples, so that its file is all that must be kept.

Its phase is A exp(t / L) + C.  The zero crossings give a first guess of A, L and C, least squares
over the samples the rest.  The sweep began where its phase was a multiple of pi; the ramp says at
which.
"""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.signals import Ramped, Sweep
from carrierfloor.dsp.stage import Block

Floats = NDArray[np.float64]

SILENT = 1e-4  # peak, -80 dBFS
ACTIVE = 0.6  # of the peak: beyond the ramps
QUIET = 0.1  # of the peak: still on the ramp
HYSTERESIS = 0.2  # of the peak, that a zero crossing must pass
FASTEST_CROSSING = 0.08  # of the sample rate, up to which a crossing between samples is exact
LEAST_CROSSINGS = 12
EDGE_PASSES = 3  # phase and ramps in turn
FITTED = 60_000  # samples that the phase is fitted to, at most
GROWTH = 1.3  # of the stretch fitted, from one to the next
GAUSS_NEWTON_STEPS = 4
LARGEST_RESIDUAL = 0.02  # rms of what is no sweep, over the sweep's
LEAST_LIKENESS = 0.9  # squared correlation of the loud part with the sine; the ramps cost some
LONGEST_RAMP_S = 1.1


@dataclass(frozen=True, kw_only=True)
class KnownSweep:
    """A sweep as it was played: what `tone sweep` writes, with silence around it or without.

    Attributes
    ----------
    sweep : Sweep
        Its frequencies f1 and f2, its duration T and its sample rate; L is
        ``sweep.time_constant_s``.
    peak : float
        Amplitude, with sign, 1.0 = full scale.
    ramp_samples : int
        Length of the raised cosine at either end.
    first_sample : int
        Where it begins in the recording it was recognised in.
    """

    sweep: Sweep
    peak: float
    ramp_samples: int
    first_sample: int = 0

    @property
    def end_sample(self) -> int:
        """The first sample after it."""
        return self.first_sample + self.sweep.samples

    @property
    def played(self) -> Ramped:
        """The sweep with its level and ramps, from its own first sample on."""
        return Ramped(
            signal=self.sweep,
            peak=self.peak,
            ramp_samples=self.ramp_samples,
            samples=self.sweep.samples,
        )


class _Phase(NamedTuple):
    """Phase in rad at sample n: offset + speed * expm1((n - middle) * rate) / rate."""

    middle: float
    offset: float
    speed: float  # rad per sample in the middle
    rate: float

    def at(self, n: Floats) -> Floats:
        return self.offset + self.speed * np.expm1((n - self.middle) * self.rate) / self.rate

    def speed_at(self, n: float) -> float:
        return self.speed * math.exp((n - self.middle) * self.rate)

    def sample_at(self, phase: float) -> float:
        """Return where it has this phase, NaN if nowhere."""
        grown = 1.0 + (phase - self.offset) * self.rate / self.speed
        return self.middle + math.log(grown) / self.rate if grown > 0.0 else math.nan


class _Edges(NamedTuple):
    start: int
    end: int
    ramp: int
    sign: float

    def gain(self, n: Floats) -> Floats:
        return _ramp(n - self.start, self.ramp) * _ramp(self.end - 1.0 - n, self.ramp)


def recognise(samples: Block, rate_hz: float) -> KnownSweep:
    """Find the exponential sweep in a recording of nothing else.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The file that was played; any level and sign, 16 bit are enough, silence around it.
    rate_hz : float
        Its sample rate.

    Returns
    -------
    KnownSweep

    Raises
    ------
    AudioError
        If it is silent, or holds anything but an exponential sweep.
    """
    peak = float(np.abs(samples).max(initial=0.0))
    if not math.isfinite(peak):
        raise AudioError("the sweep has samples that are no numbers; write it anew")
    if peak < SILENT:
        raise AudioError("the sweep is silent; give the file that was played")
    loud = np.flatnonzero(np.abs(samples) > ACTIVE * peak)
    first, last = int(loud[0]), int(loud[-1])
    longest_ramp = round(LONGEST_RAMP_S * rate_hz)
    phase, trusted = _first_guess(samples, first, last, peak)
    edges = _Edges(first, last + 1, 1, 1.0)
    for _ in range(EDGE_PASSES):
        phase, amplitude = _refined(samples, phase, edges, first, last, trusted)
        if not _follows(samples, phase, first, last):
            raise _no_sweep()
        trusted = last
        end, ramp, level = _end_and_ramp(samples, phase, amplitude, last, longest_ramp)
        edges = _start(samples, phase, level, first, end, ramp)
    found = _known(phase, edges, amplitude, rate_hz)
    _check(samples, found)
    return found


def _known(phase: _Phase, edges: _Edges, amplitude: float, rate_hz: float) -> KnownSweep:
    samples = edges.end - edges.start
    lowest_hz = phase.speed_at(edges.start) / (2.0 * math.pi) * rate_hz
    try:
        sweep = Sweep(
            lowest_hz=lowest_hz,
            highest_hz=lowest_hz * math.exp(samples * phase.rate),
            duration_s=samples / rate_hz,
            sample_rate_hz=rate_hz,
        )
    except SettingError:
        raise _no_sweep() from None
    return KnownSweep(
        sweep=sweep,
        peak=edges.sign * amplitude,
        ramp_samples=edges.ramp,
        first_sample=edges.start,
    )


def _no_sweep() -> AudioError:
    return AudioError(
        "this holds no exponential sweep, or more than one; give the file that was played, as "
        "`carrierfloor tone sweep` wrote it"
    )


def _first_guess(samples: Block, first: int, last: int, peak: float) -> tuple[_Phase, int]:
    """Fit the phase to the zero crossings; return also up to where it is good."""
    crossings = _zero_crossings(samples[first : last + 1], HYSTERESIS * peak)
    slow = np.flatnonzero(np.diff(crossings) > 0.5 / FASTEST_CROSSING)
    if len(slow) >= LEAST_CROSSINGS:
        crossings = crossings[: int(slow[-1]) + 2]
    if len(crossings) < LEAST_CROSSINGS:
        raise _no_sweep()
    turned = math.pi * np.arange(len(crossings), dtype=np.float64)
    middle = float(crossings[-1]) / 2.0
    n = np.asarray(crossings - middle, dtype=np.float64)
    rate = float(
        min(
            np.geomspace(0.01, 20.0, 200) / (2.0 * middle),
            key=lambda one: _line_through(np.expm1(n * one) / one, turned)[2],
        )
    )
    for _ in range(20):  # Gauss-Newton
        grown = np.expm1(n * rate) / rate
        speed, _, _ = _line_through(grown, turned)
        bend = speed * (n * np.exp(n * rate) - grown) / rate
        columns = np.stack([grown, np.ones(len(n)), bend], axis=1)
        step = float(np.linalg.lstsq(columns, turned)[0][2])
        rate += float(np.clip(step, -0.1 * rate, 0.1 * rate))
    speed, offset, _ = _line_through(np.expm1(n * rate) / rate, turned)
    if speed <= 0.0:
        raise _no_sweep()
    return _Phase(first + middle, offset, speed, rate), first + math.ceil(crossings[-1])


def _line_through(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Return slope and offset of the straight line closest to y, and the squared error."""
    across = x - x.mean()
    slope = float(np.dot(across, y) / np.dot(across, across))
    offset = float(y.mean() - slope * x.mean())
    return slope, offset, float(np.sum((slope * x + offset - y) ** 2))


def _zero_crossings(samples: Block, hysteresis: float) -> Floats:
    """Return where the samples pass zero from one side of a band around it to the other."""
    outside = np.flatnonzero(np.abs(samples) > hysteresis)
    signs = np.sign(samples[outside])
    changes = np.flatnonzero(signs[1:] != signs[:-1])
    before, after = outside[changes], outside[changes + 1]
    low, high = np.abs(samples[before]), np.abs(samples[after])
    return np.asarray(before + (after - before) * low / (low + high))


def _refined(
    samples: Block, phase: _Phase, edges: _Edges, first: int, last: int, trusted: int
) -> tuple[_Phase, float]:
    """Fit phase and amplitude to the samples between two, more and more of them."""
    amplitude = math.sqrt(2.0 * float(np.mean(samples[first : last + 1] ** 2)))
    count = trusted + 1 - first
    while True:
        n = np.arange(first, first + count, max(1, count // FITTED))
        gain = edges.gain(n.astype(float))
        for _ in range(GAUSS_NEWTON_STEPS):
            phase, amplitude = _closer(samples[n], n.astype(float), gain, phase, amplitude)
        if first + count > last:
            return phase, amplitude
        count = min(last + 1 - first, math.ceil(GROWTH * count))


def _closer(
    heard: Block, n: Floats, gain: Floats, phase: _Phase, amplitude: float
) -> tuple[_Phase, float]:
    """Take one Gauss-Newton step of the four unknowns."""
    angle = phase.at(n)
    sine, slope = gain * np.sin(angle), amplitude * gain * np.cos(angle)
    if np.dot(heard, sine) < 0.0:
        phase, sine, slope = phase._replace(offset=phase.offset + math.pi), -sine, -slope
    away = n - phase.middle
    grown = np.expm1(away * phase.rate) / phase.rate
    bend = phase.speed * (away * np.exp(away * phase.rate) - grown) / phase.rate
    columns = np.stack([slope, slope * grown, slope * bend, sine], axis=1)
    scale = np.sqrt(np.sum(columns * columns, axis=0)) + 1e-300
    step = np.linalg.lstsq(columns / scale, heard - amplitude * sine)[0] / scale
    return phase._replace(
        offset=phase.offset + float(step[0]),
        speed=phase.speed + float(np.clip(step[1], -0.1 * phase.speed, 0.1 * phase.speed)),
        rate=phase.rate + float(np.clip(step[2], -0.1 * phase.rate, 0.1 * phase.rate)),
    ), amplitude + float(step[3])


def _end_and_ramp(
    samples: Block, phase: _Phase, amplitude: float, last: int, longest_ramp: int
) -> tuple[int, int, float]:
    """Find the end, the length of the ramps and the amplitude where the frequency is high."""
    from scipy.optimize import least_squares

    behind = np.abs(samples[last : last + longest_ramp])
    quiet = float(np.flatnonzero(behind > QUIET * amplitude)[-1])
    # A raised cosine passes 60 % at 0.564 of its length, 10 % at 0.205.
    guess = max(2.0, quiet / (0.564 - 0.205))
    n = np.arange(max(0, last - round(guess)), min(len(samples), last + round(2.0 * guess) + 4))
    heard, carrier = samples[n], np.sin(phase.at(n.astype(float)))

    def off(unknowns: Floats) -> Floats:
        end, ramp, level = unknowns
        return np.asarray(level * carrier * _ramp(end - 1.0 - n, ramp) - heard)

    found = least_squares(
        off,
        [last + 0.564 * guess, guess, amplitude],
        x_scale=[guess, guess, amplitude],
        bounds=([0.0, 1.0, 0.0], np.inf),
    ).x
    return round(float(found[0])), max(1, round(float(found[1]))), float(found[2])


def _follows(samples: Block, phase: _Phase, first: int, last: int) -> bool:
    """Tell whether the loud part is a sine of this phase at all."""
    n = np.arange(first, last + 1, max(1, (last + 1 - first) // FITTED))
    sine = np.sin(phase.at(n.astype(float)))
    heard = samples[n]
    together = float(np.dot(heard, sine)) ** 2
    return together > LEAST_LIKENESS * float(np.dot(heard, heard) * np.dot(sine, sine))


def _ramp(position: Floats, length: float) -> Floats:
    """Return the gain of a raised cosine of any length, as signals.raised_cosine has it."""
    done = np.clip((position + 0.5) / length, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * done))


def _start(
    samples: Block, phase: _Phase, amplitude: float, first: int, end: int, ramp: int
) -> _Edges:
    """Find at which zero of the phase the sweep began, and its sign there."""
    n = np.arange(max(0, first - 3 * ramp), min(len(samples), first + 3 * ramp, end), dtype=float)
    heard, carrier = samples[n.astype(int)], amplitude * np.sin(phase.at(n))
    turns = phase.at(np.array([n[0], first + 1.0])) / math.pi
    best, least = None, np.inf
    for number in range(math.floor(turns[0]) - 1, math.ceil(turns[1]) + 1):
        start = phase.sample_at(number * math.pi)
        if not start >= -0.5:
            continue
        edges = _Edges(round(start), end, ramp, -1.0 if number % 2 else 1.0)
        off = float(np.sum((carrier * edges.gain(n) - heard) ** 2))
        if off < least:
            best, least = edges, off
    if best is None:
        raise AudioError("the sweep's beginning is missing; give the whole file that was played")
    return best


def _check(samples: Block, found: KnownSweep) -> None:
    """Refuse what the sweep found does not explain."""
    rest = np.array(samples, dtype=float)
    begin, end = found.first_sample, min(found.end_sample, len(samples))
    played = found.played.at(0, end - begin)
    rest[begin:end] -= played
    if float(np.sum(rest * rest)) > LARGEST_RESIDUAL**2 * float(np.sum(played * played)):
        raise _no_sweep()
