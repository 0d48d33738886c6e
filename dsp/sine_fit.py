"""Sines fitted to a stretch of signal by least squares.

The fit of IEEE Std 1057 ("Digitizing waveform recorders", from memory): for known frequencies it is
linear; an unknown one is found by adding the slope of the sine over its frequency to the model, and
going on from there.  The square of the error is weighted by the square of a Hann window, so that
lines which are not in the model do not leak into those that are.

With exp(+-j w t) for sine and cosine, the products of the model's columns are sums of the weight
times exp(j v t), which are known in closed form.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.spectral_window import LOBE_BINS, blackman_harris
from carrierfloor.dsp.stage import Block

EXACT_EVERY = 256  # samples from one exact sine and cosine to the next; in between they are turned
STEPS = 12
SETTLED = 1e-8  # of one turn in the stretch: a frequency moves no more
# Noise counts this often under the weight: mean of w^4 over the square of the mean of w^2.
WEIGHT_NOISE = 35.0 / 18.0

Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class SineFit:
    """A constant and some sines: mean + the real part of the sum of a exp(2 pi j f t).

    Times count from the middle of the stretch.
    """

    frequency_hz: Block  # shape (lines,)
    amplitude: Complex  # shape (lines,)
    mean: float

    def rest(self, samples: Block, rate_hz: float) -> Block:
        """Return what is left of the samples, shape (n,)."""
        left = np.asarray(samples, dtype=np.float64) - self.mean
        turns = self.frequency_hz / rate_hz
        _subtract(left, turns, self.amplitude.real.copy(), self.amplitude.imag.copy())
        return left


def fit_sines(samples: Block, rate_hz: float, frequency_hz: Block) -> SineFit:
    """Fit sines of known frequencies.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        Long enough that the frequencies lie four or more turns in it apart, and from zero.
    rate_hz : float
        Of the samples.
    frequency_hz : ndarray, shape (lines,)
        Above zero.
    """
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    angle = 2.0 * np.pi / rate_hz * frequency_hz
    seen = _projected(_weight(len(samples)) * samples, frequency_hz / rate_hz)
    all_angles = np.concatenate([[0.0], angle, -angle])
    constant = np.sum(_weight(len(samples)) * samples)
    right = np.concatenate([[constant], seen, np.conj(seen)])
    gram = _weight_sum(all_angles[np.newaxis, :] - all_angles[:, np.newaxis], len(samples))
    solved = np.linalg.solve(gram, right)
    amplitude = np.asarray(2.0 * solved[1 : 1 + len(angle)], dtype=np.complex128)
    return SineFit(frequency_hz, amplitude, float(solved[0].real))


def fit_frequencies(samples: Block, rate_hz: float, frequency_hz: Block) -> SineFit:
    """Fit sines whose frequencies are known to half a turn in the stretch.

    For the parameters see :func:`fit_sines`.
    """
    count = len(samples)
    place = np.arange(count) - (count - 1) / 2.0
    weight = _weight(count) * place
    spread = float(np.dot(weight, place))
    fit = fit_sines(samples, rate_hz, frequency_hz)
    for _ in range(STEPS):
        left = fit.rest(samples, rate_hz)
        seen = _projected(weight * left, fit.frequency_hz / rate_hz)
        slope = np.real(np.conj(1j * fit.amplitude) * seen)
        height = np.maximum(np.square(np.abs(fit.amplitude)), 1e-300)
        step = np.clip(slope / (0.5 * height * spread) / (2.0 * np.pi), -0.5 / count, 0.5 / count)
        fit = fit_sines(samples, rate_hz, fit.frequency_hz + rate_hz * step)
        if np.abs(step).max() < SETTLED / count:
            break
    return fit


def strongest_line(
    samples: Block, rate_hz: float, lowest_hz: float, highest_hz: float
) -> tuple[float, float, float]:
    """Return frequency, amplitude and share of the strongest line between two frequencies.

    The share is that of the power, the mean excepted; all are 0 without any signal.  The frequency
    is that of a parabola through three bins in decibels (J. O. Smith, "Spectral Audio Signal
    Processing").
    """
    window = blackman_harris(len(samples))
    power = np.square(np.abs(fft.rfft((samples - samples.mean()) * window)))
    frequency_hz = np.arange(len(power)) * (rate_hz / len(samples))
    wanted = (frequency_hz >= lowest_hz) & (frequency_hz <= highest_hz)
    wanted[[0, -1]] = False  # a peak has neighbours
    at = int(np.argmax(np.where(wanted, power, -1.0)))
    total = float(power[LOBE_BINS:].sum())
    if not wanted.any() or not power[at] > 0.0 or not total > 0.0:
        return 0.0, 0.0, 0.0
    lower, middle, upper = np.log(np.maximum(power[at - 1 : at + 2], 1e-20 * power[at]))
    bend = lower - 2.0 * middle + upper
    shift = 0.5 * (lower - upper) / bend if bend < 0.0 else 0.0
    top = math.exp((middle - 0.25 * (lower - upper) * shift) / 2.0)
    lobe = power[max(0, at - LOBE_BINS) : at + LOBE_BINS + 1].sum()
    return (
        float((at + shift) * rate_hz / len(samples)),
        2.0 * top / float(window.sum()),
        min(1.0, float(lobe) / total),
    )


def _weight(count: int) -> Block:
    """Return the square of a Hann window whose zeros lie just outside the stretch."""
    place = np.arange(count) - (count - 1) / 2.0
    return np.asarray(np.cos(np.pi / (count + 1) * place) ** 4)


def _weight_sum(angle: Block, count: int) -> Block:
    """Return the sum of the weight times exp(j angle n), n from the middle of the stretch."""
    beside = 2.0 * np.pi / (count + 1)  # cos^4 x = 3/8 + cos(2 x)/2 + cos(4 x)/8
    total = 0.375 * _dirichlet(angle, count)
    for shift, part in ((beside, 0.25), (2.0 * beside, 0.0625)):
        total += part * (_dirichlet(angle + shift, count) + _dirichlet(angle - shift, count))
    return total


def _dirichlet(angle: Block, count: int) -> Block:
    """Return the sum of exp(j angle n) over ``count`` values of n about zero."""
    half = np.sin(angle / 2.0)
    small = np.abs(half) < 1e-12
    return np.where(small, count, np.sin(count * angle / 2.0) / np.where(small, 1.0, half))


def _projected(samples: Block, turns: Block) -> Complex:
    """Return the sums of the samples times exp(-2 pi j turns n), n from the middle."""
    real, imaginary = np.zeros(len(turns)), np.zeros(len(turns))
    _project(samples, turns, real, imaginary)
    return np.asarray(real + 1j * imaginary)


@kernel
def _start(at: int, count: int, turns: Block, cosine: Block, sine: Block) -> None:
    """Set the oscillators to a sample, counted from the beginning."""
    for k in range(turns.shape[0]):
        phase = 2.0 * math.pi * ((turns[k] * (at - 0.5 * (count - 1))) % 1.0)
        cosine[k], sine[k] = math.cos(phase), math.sin(phase)


@kernel
def _project(samples: Block, turns: Block, real: Block, imaginary: Block) -> None:
    lines, count = turns.shape[0], samples.shape[0]
    cosine, sine = np.empty(lines), np.empty(lines)
    turn_cosine, turn_sine = np.cos(2.0 * math.pi * turns), np.sin(2.0 * math.pi * turns)
    for begin in range(0, count, EXACT_EVERY):
        _start(begin, count, turns, cosine, sine)
        piece = samples[begin : begin + EXACT_EVERY]
        for n in range(piece.shape[0]):
            x = piece[n]
            for k in range(lines):
                real[k] += x * cosine[k]
                imaginary[k] -= x * sine[k]
                c = cosine[k] * turn_cosine[k] - sine[k] * turn_sine[k]
                sine[k] = sine[k] * turn_cosine[k] + cosine[k] * turn_sine[k]
                cosine[k] = c


@kernel
def _subtract(samples: Block, turns: Block, real: Block, imaginary: Block) -> None:
    lines, count = turns.shape[0], samples.shape[0]
    cosine, sine = np.empty(lines), np.empty(lines)
    turn_cosine, turn_sine = np.cos(2.0 * math.pi * turns), np.sin(2.0 * math.pi * turns)
    for begin in range(0, count, EXACT_EVERY):
        _start(begin, count, turns, cosine, sine)
        piece = samples[begin : begin + EXACT_EVERY]
        for n in range(piece.shape[0]):
            total = 0.0
            for k in range(lines):
                total += real[k] * cosine[k] - imaginary[k] * sine[k]
                c = cosine[k] * turn_cosine[k] - sine[k] * turn_sine[k]
                sine[k] = sine[k] * turn_cosine[k] + cosine[k] * turn_sine[k]
                cosine[k] = c
            piece[n] -= total
