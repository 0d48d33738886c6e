"""What a capture of a sweep holds beside the sweep: steady lines of hum, and noise."""

import math

import numpy as np
from scipy import fft

from carrierfloor.dsp.deconvolution import Deconvolution, Window
from carrierfloor.dsp.hum_lines import Line, find_lines
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_curves import orders
from carrierfloor.dsp.sweep_recognition import KnownSweep

HUM_ROUNDS = 4
NOISE_SEED = 1


def windows(found: Deconvolution) -> list[Window]:
    """Return where the linear response and its harmonics lie in a deconvolution."""
    return [found.linear, *(found.harmonic_window(order) for order in orders())]


def without_hum(
    found: Deconvolution, capture: Block, rate_hz: float
) -> tuple[tuple[Line, ...], Block]:
    """Take steady lines out of a deconvolution; return them and the capture without them.

    A line leaks into the windows, and from there out of what they do not explain; a few rounds
    settle it.
    """
    clean = capture
    lines: tuple[Line, ...] = ()
    for _ in range(HUM_ROUNDS):
        lines = find_lines(capture - found.explained(windows(found)), rate_hz)
        if not lines:
            break
        clean = capture - sum(line.at(len(capture), rate_hz) for line in lines)
        found.divide(clean)
    return lines, clean


def noise_left(found: Deconvolution, clean: Block, sweep: KnownSweep, delay: int) -> float:
    """Return the part of any noise that the windows do not explain, tried with noise."""
    noise = np.random.default_rng(NOISE_SEED).standard_normal(len(clean))
    found.divide(noise)
    rest = noise - found.explained(windows(found))
    found.divide(clean)
    return _power(rest, sweep, delay) / _power(noise, sweep, delay)


def signal_to_noise_db(
    rest: Block, explained: Block, sweep: KnownSweep, delay: int, left: float
) -> float:
    """Return the ratio, of which ``left`` is the part of the noise that can be heard."""
    signal, noise = _power(explained, sweep, delay), _power(rest, sweep, delay) / left
    return 10.0 * math.log10(signal / max(noise, 1e-30 * signal))


def _power(samples: Block, sweep: KnownSweep, delay: int) -> float:
    """Return the power within the sweep's time and band."""
    one = sweep.sweep
    part = samples[max(0, delay) : delay + one.samples]
    width_hz = one.sample_rate_hz / len(part)
    low, high = round(one.lowest_hz / width_hz), round(one.highest_hz / width_hz)
    return float(np.sum(np.abs(fft.rfft(part)[low:high]) ** 2))
