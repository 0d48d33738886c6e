"""The phase of an exponential sweep: A exp(t / L) + C.

The zero crossings give a first guess of A, L and C, least squares over the samples the rest.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.stage import Block

Floats = NDArray[np.float64]

HYSTERESIS = 0.2  # of the peak, that a zero crossing must pass
FASTEST_CROSSING = 0.08  # of the sample rate, up to which a crossing between samples is exact
LEAST_CROSSINGS = 12
FITTED = 60_000  # samples that the phase is fitted to, at most
GROWTH = 1.3  # of the stretch fitted, from one to the next
GAUSS_NEWTON_STEPS = 4
LEAST_LIKENESS = 0.9  # squared correlation of the loud part with the sine; the ramps cost some


class Phase(NamedTuple):
    """Phase in rad at sample n: offset + speed * expm1((n - middle) * rate) / rate."""

    middle: float
    offset: float
    speed: float  # rad per sample in the middle
    rate: float

    def at(self, n: Floats) -> Floats:
        """Return the phase at samples."""
        return self.offset + self.speed * np.expm1((n - self.middle) * self.rate) / self.rate

    def speed_at(self, n: float) -> float:
        """Return by how much it turns in a sample, rad."""
        return self.speed * math.exp((n - self.middle) * self.rate)

    def sample_at(self, phase: float) -> float:
        """Return where it has this phase, NaN if nowhere."""
        grown = 1.0 + (phase - self.offset) * self.rate / self.speed
        return self.middle + math.log(grown) / self.rate if grown > 0.0 else math.nan


def no_sweep() -> AudioError:
    """Return the refusal of what is no sweep."""
    return AudioError(
        "this holds no exponential sweep, or more than one; give the file that was played, as "
        "`carrierfloor tone sweep` wrote it"
    )


def first_guess(samples: Block, first: int, last: int, peak: float) -> tuple[Phase, int]:
    """Fit the phase to the zero crossings; return also up to where it is good."""
    crossings = _zero_crossings(samples[first : last + 1], HYSTERESIS * peak)
    slow = np.flatnonzero(np.diff(crossings) > 0.5 / FASTEST_CROSSING)
    if len(slow) >= LEAST_CROSSINGS:
        crossings = crossings[: int(slow[-1]) + 2]
    if len(crossings) < LEAST_CROSSINGS:
        raise no_sweep()
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
        scale = np.abs(columns).max(axis=0)  # in samples 1 and n^2 are too far apart for lstsq
        step = float(np.linalg.lstsq(columns / scale, turned)[0][2] / scale[2])
        rate += float(np.clip(step, -0.1 * rate, 0.1 * rate))
    speed, offset, _ = _line_through(np.expm1(n * rate) / rate, turned)
    if speed <= 0.0:
        raise no_sweep()
    return Phase(first + middle, offset, speed, rate), first + math.ceil(crossings[-1])


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


def refined(
    samples: Block,
    phase: Phase,
    gain_at: Callable[[Floats], Floats],
    first: int,
    last: int,
    trusted: int,
) -> tuple[Phase, float]:
    """Fit phase and amplitude to the samples between two, more and more of them."""
    amplitude = math.sqrt(2.0 * float(np.mean(samples[first : last + 1] ** 2)))
    count = trusted + 1 - first
    while True:
        n = np.arange(first, first + count, max(1, count // FITTED))
        gain = gain_at(n.astype(float))
        for _ in range(GAUSS_NEWTON_STEPS):
            phase, amplitude = _closer(samples[n], n.astype(float), gain, phase, amplitude)
        if first + count > last:
            return phase, amplitude
        count = min(last + 1 - first, math.ceil(GROWTH * count))


def _closer(
    heard: Block, n: Floats, gain: Floats, phase: Phase, amplitude: float
) -> tuple[Phase, float]:
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


def follows(samples: Block, phase: Phase, first: int, last: int) -> bool:
    """Tell whether the loud part is a sine of this phase at all."""
    n = np.arange(first, last + 1, max(1, (last + 1 - first) // FITTED))
    sine = np.sin(phase.at(n.astype(float)))
    heard = samples[n]
    together = float(np.dot(heard, sine)) ** 2
    return together > LEAST_LIKENESS * float(np.dot(heard, heard) * np.dot(sine, sine))
