"""The trapezoid pattern: the envelope against the audio that made it, and its sides.

An oscilloscope shows the pattern with the audio on the horizontal axis and the transmitted signal
on the vertical one (F. E. Terman, "Radio Engineers' Handbook", 1943; from memory).  With a linear
modulator its sides are straight lines; where audio and envelope are out of phase they open into
ellipses.  Here the audio goes through the transmitter's own path first, so that what is left of the
ellipses is what the path does not explain.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.stage import Block

AUDIO_EDGES = np.round(np.arange(-300, 401) / 100.0, 2)  # of the bins, 1.0 = 100 %
ENVELOPE_EDGES = np.round(np.arange(-20, 501) / 100.0, 2)  # carrier = 1
BIN = 0.01  # width of a bin
FEWEST = 10  # samples in a bin, for its mean to be used
SURE = 0.004  # of the carrier: largest standard error of such a mean
FEWEST_BINS = 20
MIDDLE = 0.35  # of the audio's reach either way: where the first line is fitted
NEAR_ZERO = 0.03  # of the carrier: the sides end where the line comes so low
OFF = 0.02  # of the carrier: an envelope this low is none
END = 0.12  # of the reach: what counts as an end
STRAIGHT = 0.01  # of the carrier: an end less far beside the line is called straight
SEARCH_STEPS = 60  # of the golden section
GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)

STRAIGHT_END, COMPRESSED, STRETCHED = "straight", "compressed", "stretched"
ROUNDED, CUT_OFF, STEEPER, HELD_UP = "rounded", "cut off", "steeper", "held up"


@dataclass(frozen=True, kw_only=True)
class Trapezoid:
    """What the pattern shows; envelopes are those of a carrier of 1.

    Parameters
    ----------
    density : ndarray, shape (700, 520)
        Samples in each bin of audio and envelope, between AUDIO_EDGES and ENVELOPE_EDGES.
    audio, envelope, spread : ndarray, shape (n,)
        The mean envelope at each audio, and its rms around that.
    slope, at_rest : float
        Of the straight line through the middle of the sides: envelope = at_rest + slope x audio.
    linearity : float
        Largest distance of the sides from the straight line that keeps it smallest.
    upper, lower : str
        What becomes of the sides at either end.
    upper_deviation, lower_deviation : float
        Of the ends from the line through the middle, positive: more carrier than there.
    residual : float
        Rms of the envelope around its mean at each audio: what no bent line explains.
    explained : float
        Part of the envelope's power that the sides explain, 0 to 1.
    samples : int
    """

    density: NDArray[np.int64]
    audio: Block
    envelope: Block
    spread: Block
    slope: float
    at_rest: float
    linearity: float
    upper: str
    upper_deviation: float
    lower: str
    lower_deviation: float
    residual: float
    explained: float
    samples: int

    def line(self, audio: Block) -> Block:
        """Return the straight line through the middle of the sides."""
        return self.at_rest + self.slope * audio


class TrapezoidMeter:
    """Collect the pattern from a stream, in constant memory."""

    def __init__(self) -> None:
        shape = (len(AUDIO_EDGES) - 1, len(ENVELOPE_EDGES) - 1)
        self._density = np.zeros(shape, dtype=np.int64)
        self._count = np.zeros(shape[0])
        self._sums = np.zeros((2, shape[0]))  # of the envelope and its square
        self._audio = np.zeros(shape[0])  # sums

    def feed(self, audio: Block, modulation: Block, known: NDArray[np.bool_]) -> None:
        """Take samples of the audio and of m, all of shape (n,), 1.0 = 100 %; both in step."""
        x, e = audio[known], 1.0 + modulation[known]
        column = np.clip(np.floor((x - AUDIO_EDGES[0]) * 100.0).astype(np.int64), 0, 699)
        row = np.floor((e - ENVELOPE_EDGES[0]) * 100.0).astype(np.int64)
        rows = self._density.shape[1]
        flat = column * rows + np.clip(row, 0, rows - 1)
        self._density += np.bincount(flat, minlength=self._density.size).reshape(-1, rows)
        bins = len(self._count)
        self._count += np.bincount(column, minlength=bins)
        self._audio += np.bincount(column, x, bins)
        self._sums += [np.bincount(column, e, bins), np.bincount(column, e * e, bins)]

    def read(self, noise_rms: float = 0.0) -> Trapezoid | None:
        """Return the pattern, or nothing if the audio hardly moves.

        Parameters
        ----------
        noise_rms : float
            Of m: taken out of what the sides do not explain.
        """
        filled = np.maximum(self._count, 1.0)
        scatter = self._sums[1] / filled - np.square(self._sums[0] / filled)
        sure = (self._count >= FEWEST) & (scatter <= SURE**2 * self._count)
        used = sure if sure.sum() >= FEWEST_BINS else self._count >= FEWEST
        if used.sum() < FEWEST_BINS:
            return None
        count = self._count[used]
        audio, envelope = self._audio[used] / count, self._sums[0, used] / count
        slope, at_rest = _middle_line(audio, envelope, count)
        scatter = scatter - noise_rms**2 - (slope * BIN) ** 2 / 12.0  # a bin has a width
        spread = np.sqrt(np.maximum(0.0, scatter[used]))
        line = at_rest + slope * audio
        sides = line > np.maximum(NEAR_ZERO, 2.0 * spread)
        off = envelope - line
        upper_deviation = _end(audio[sides], off[sides], count[sides], top=True)
        lower_deviation = _end(audio[sides], off[sides], count[sides], top=False)
        rest = max(0.0, float(np.average(scatter, weights=self._count)))
        means = self._sums[0] / filled
        mean = float(np.average(means, weights=self._count))
        total = float(np.average(np.square(means - mean), weights=self._count)) + rest
        return Trapezoid(
            density=self._density.copy(),
            audio=audio,
            envelope=envelope,
            spread=spread,
            slope=slope,
            at_rest=at_rest,
            linearity=_largest_from_best_line(audio[sides], envelope[sides]),
            upper=_upper(upper_deviation),
            upper_deviation=upper_deviation,
            lower=_lower(lower_deviation, self._beyond(slope, at_rest)),
            lower_deviation=lower_deviation,
            residual=math.sqrt(rest),
            explained=1.0 - rest / total if total > 0.0 else 0.0,
            samples=int(self._count.sum()),
        )

    def _beyond(self, slope: float, at_rest: float) -> float | None:
        """Return the median envelope where the audio asks for less than nothing."""
        line = at_rest + slope * (AUDIO_EDGES[:-1] + BIN / 2)
        there = np.cumsum(self._density[line < -NEAR_ZERO].sum(axis=0))
        if there[-1] < FEWEST:
            return None
        row = int(np.searchsorted(there, there[-1] / 2))
        return float(ENVELOPE_EDGES[row] + BIN / 2)


def _middle_line(audio: Block, envelope: Block, count: Block) -> tuple[float, float]:
    """Return slope and height at rest of the line through the middle, all bins alike."""
    middle = (audio >= MIDDLE * max(-1.0, audio.min())) & (audio <= MIDDLE * audio.max())
    if middle.sum() < FEWEST_BINS // 2:
        middle[:] = True
    weight = np.sqrt(np.minimum(count[middle], 1000.0))
    slope, at_rest = np.polyfit(audio[middle], envelope[middle], 1, w=weight)
    return float(slope), float(at_rest)


def _end(audio: Block, off: Block, count: Block, *, top: bool) -> float:
    """Return the mean distance from the line at one end of the sides."""
    if not len(audio):
        return 0.0
    reach = END * (audio.max() - audio.min())
    near = audio >= audio.max() - reach if top else audio <= audio.min() + reach
    # The outermost third of what counts as the end, where a bend shows most.
    near &= (audio >= audio.max() - reach / 3) if top else (audio <= audio.min() + reach / 3)
    return float(np.average(off[near], weights=np.sqrt(count[near])))


def _upper(deviation: float) -> str:
    if abs(deviation) <= STRAIGHT:
        return STRAIGHT_END
    return COMPRESSED if deviation < 0.0 else STRETCHED


def _lower(deviation: float, beyond: float | None) -> str:
    """Say what becomes of the trough."""
    if beyond is not None:
        return CUT_OFF if beyond < OFF else HELD_UP
    if abs(deviation) <= STRAIGHT:
        return STRAIGHT_END
    return ROUNDED if deviation > 0.0 else STEEPER


def _largest_from_best_line(x: Block, y: Block) -> float:
    """Return the largest distance from the line that makes it smallest (Chebyshev's line).

    For a slope b the best line leaves half of max(y - b x) - min(y - b x), a convex function of
    b, whose minimum the golden section finds.
    """
    if len(x) < 3:
        return 0.0

    def half_range(b: float) -> float:
        rest = y - b * x
        return float(rest.max() - rest.min()) / 2.0

    slopes = np.diff(y) / np.diff(x)
    low, high = float(slopes.min()), float(slopes.max())
    for _ in range(SEARCH_STEPS):
        left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        if half_range(left) < half_range(right):
            high = right
        else:
            low = left
    return half_range(0.5 * (low + high))
