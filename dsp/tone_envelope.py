"""The envelope of a steady tone, averaged over all its periods so that no noise is left.

The lines of the tone and its harmonics are averaged over the whole run; they give one period of
the envelope.  A carrier that is cut off has harmonics beyond the recorded band, so that the period
rings there and its corners are round.  What is missing follows from what is known: the envelope is
e = max(0, w), where w is where the modulation aims, a tone with a few harmonics.  w is fitted to
the period where it is above zero, the lines that are missing are taken from max(0, w), and so on
(as A. Papoulis, "A new algorithm in spectral analysis and band-limited extrapolation", IEEE Trans.
Circuits and Systems 22 (1975), 735-742).  Where no such w has the lines that were read, the period
stays as it is.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.cutoff_finder import SMALLEST
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LOOK_S = 0.25  # whole periods of about this length are looked at at once
POINTS = 4096  # of one period
MOST_LINES = 400
BEYOND = 1.25  # times the highest frequency, the recording's filter lets lines through, too weak
NEAR_ZERO = 0.03  # of the carrier: a trough that stays above has no corners
ROUNDS = 30
MOST_ORDERS = 3  # of w
SPARE_LINES = 2  # read, beyond those of w
MISFIT = 0.004  # rms of the lines that were read, over those of max(0, w)


@dataclass(frozen=True, kw_only=True)
class ToneEnvelope:
    """One period of a steady tone, and what it says; 1.0 = the carrier, or 100 %."""

    frequency_hz: float
    envelope: Block  # shape (POINTS,), from the fundamental's crest on
    lines: Complex  # shape (n,): the mean, then the harmonics as read, amplitudes of cosines
    off_share: float  # of the period in which the carrier is off; 0 if it stays up
    wanted_depth: float  # where the modulation aims, 1.0 = down to zero
    wanted_mean: float  # of where it aims: the carrier itself, if the modulation has no mean
    error: float  # standard error of a point of the period
    rest_rms: float  # of what is neither tone nor harmonic

    @property
    def positive_peak(self) -> float:
        """Highest m."""
        return float(self.envelope.max()) - 1.0

    @property
    def negative_peak(self) -> float:
        """Depth of the trough, 1.0 at cut-off."""
        return 1.0 - float(self.envelope.min())

    @property
    def highest_read(self) -> float:
        """Highest m of the lines that were read, which is what a limited band shows of it."""
        bins = np.zeros(POINTS // 2 + 1, dtype=np.complex128)
        bins[: len(self.lines)] = self.lines / 2.0
        bins[0] = self.lines[0].real
        return float(np.fft.irfft(bins * POINTS, POINTS).max())

    @property
    def turns_over(self) -> bool:
        """Whether the mean says that the envelope goes on below zero, where w does.

        A carrier that goes off has a mean above 1: e = max(0, w) is nowhere less than w.
        """
        return bool(abs(self.lines[0].real) < abs(self.wanted_mean - 1.0))

    @property
    def is_cut_off(self) -> bool:
        """Whether the carrier goes off in every period."""
        return self.off_share > 0.0


def read_tone(
    modulation: Block, frequency_hz: float, highest_hz: float, least_aim: float = SMALLEST
) -> ToneEnvelope | None:
    """Average a steady tone.

    Parameters
    ----------
    modulation : ndarray, shape (n,)
        m at 48 kHz.
    frequency_hz : float
        Of the tone; it may wander a little.
    highest_hz : float
        What is in the recording on each side of the carrier.
    least_aim : float
        Of the carrier: less deep below zero than this the carrier is not off beyond doubt.

    Returns
    -------
    ToneEnvelope or None
        ``None`` if there is not one whole look.
    """
    looks = _looks(modulation, frequency_hz, highest_hz)
    if looks is None:
        return None
    lines, error, rest_rms = looks
    count = int(highest_hz / frequency_hz) + 1
    lines = lines[:count]
    count = len(lines)
    bins = np.zeros(POINTS // 2 + 1, dtype=np.complex128)
    bins[:count] = lines / 2.0
    bins[0] = 1.0 + lines[0].real
    envelope = np.fft.irfft(bins * POINTS, POINTS)
    aims_at, wanted_mean, off_share = float(envelope.min()), float(envelope.mean()), 0.0
    if aims_at < NEAR_ZERO:
        fitted = _cut_off(bins, count, MISFIT + 3.0 * error)
        if fitted is not None:
            envelope, wanted = fitted
            aims_at = float(wanted.min())
            if aims_at < -max(least_aim, 3.0 * error):
                off_share, wanted_mean = float(np.mean(wanted < 0.0)), float(wanted.mean())
    return ToneEnvelope(
        frequency_hz=frequency_hz,
        envelope=np.maximum(envelope, 0.0),
        lines=lines,
        off_share=off_share,
        wanted_depth=1.0 - aims_at,
        wanted_mean=wanted_mean,
        error=error,
        rest_rms=rest_rms,
    )


def _looks(
    modulation: Block, frequency_hz: float, highest_hz: float
) -> tuple[Complex, float, float] | None:
    """Return the mean lines of all looks, the error of their sum, and the rest beside them."""
    periods = max(4, round(LOOK_S * frequency_hz))
    length = round(periods * SAMPLE_RATE_HZ / frequency_hz)
    if len(modulation) < length:
        return None
    pieces = np.lib.stride_tricks.sliding_window_view(modulation, length)[:: length // 2]
    count = len(pieces)
    beyond_hz = min(BEYOND * highest_hz, SAMPLE_RATE_HZ / 2.0 - frequency_hz / 2.0)
    orders = np.arange(min(MOST_LINES, int(beyond_hz / frequency_hz)) + 1)
    turns = np.outer(np.arange(length) * (frequency_hz / SAMPLE_RATE_HZ), orders)
    window = np.hanning(length + 1)[:-1]
    looks = 2.0 * window[:, np.newaxis] / window.sum() * np.exp(-2j * np.pi * turns)
    seen: NDArray[np.complex128] = pieces @ looks
    seen[:, 0] /= 2.0
    back = np.exp(-1j * np.outer(np.angle(seen[:, 1]), orders))
    upright = seen * back
    lines = upright.mean(axis=0)
    scatter = np.square(np.abs(upright - lines)).mean(axis=0) / max(1, count - 1)
    known = int(highest_hz / frequency_hz) + 1
    error = math.sqrt(float(scatter[0] + scatter[1:known].sum() / 2.0))
    power = float((np.square(pieces) @ window).mean() / window.sum())
    explained = float(lines[0].real ** 2 + np.square(np.abs(lines[1:])).sum() / 2.0)
    return lines, error, math.sqrt(max(0.0, power - explained))


def _cut_off(bins: Complex, known: int, misfit: float) -> tuple[Block, Block] | None:
    """Return the envelope that has the known lines, and w; ``None`` if no w fits."""
    orders = np.arange(min(MOST_ORDERS, max(1, known - 1 - SPARE_LINES)) + 1)
    turns = 2.0 * np.pi * np.outer(np.arange(POINTS) / POINTS, orders)
    waves = np.concatenate([np.cos(turns), np.sin(turns[:, 1:])], axis=1)
    lines = bins.copy()
    envelope = np.fft.irfft(lines * POINTS, POINTS)
    above = envelope > NEAR_ZERO
    for _ in range(ROUNDS):
        part = waves[above]
        wanted = waves @ np.linalg.solve(part.T @ part, part.T @ envelope[above])
        above = wanted > 0.0
        if np.count_nonzero(above) < POINTS // 8:
            return None
        closed = np.fft.rfft(np.maximum(wanted, 0.0)) / POINTS
        lines[known:] = closed[known:]
        envelope = np.fft.irfft(lines * POINTS, POINTS)
    off = 2.0 * float(np.square(np.abs(closed[:known] - bins[:known])).sum())
    return (envelope, wanted) if off < misfit**2 else None
