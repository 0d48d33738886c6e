"""Where a sweep of known phase begins and ends, and its ramps.

It began where its phase was a multiple of pi; the ramp says at which.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_phase import Phase

Floats = NDArray[np.float64]

QUIET = 0.1  # of the peak: still on the ramp


class Edges(NamedTuple):
    """The first sample and that after the last, the length of the ramps, and the sign."""

    start: int
    end: int
    ramp: int
    sign: float

    def gain(self, n: Floats) -> Floats:
        """Return the gain of both ramps at samples."""
        return _ramp(n - self.start, self.ramp) * _ramp(self.end - 1.0 - n, self.ramp)


def end_and_ramp(
    samples: Block, phase: Phase, amplitude: float, last: int, longest_ramp: int
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


def start_and_sign(
    samples: Block, phase: Phase, amplitude: float, first: int, end: int, ramp: int
) -> Edges:
    """Find at which zero of the phase the sweep began, and its sign there."""
    n = np.arange(max(0, first - 3 * ramp), min(len(samples), first + 3 * ramp, end), dtype=float)
    heard, carrier = samples[n.astype(int)], amplitude * np.sin(phase.at(n))
    turns = phase.at(np.array([n[0], first + 1.0])) / math.pi
    best, least = None, np.inf
    for number in range(math.floor(turns[0]) - 1, math.ceil(turns[1]) + 1):
        start = phase.sample_at(number * math.pi)
        if not start >= -0.5:
            continue
        edges = Edges(round(start), end, ramp, -1.0 if number % 2 else 1.0)
        off = float(np.sum((carrier * edges.gain(n) - heard) ** 2))
        if off < least:
            best, least = edges, off
    if best is None:
        raise AudioError("the sweep's beginning is missing; give the whole file that was played")
    return best


def _ramp(position: Floats, length: float) -> Floats:
    """Return the gain of a raised cosine of any length, as signals.raised_cosine has it."""
    done = np.clip((position + 0.5) / length, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * done))
