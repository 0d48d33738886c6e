"""The heights of all crests and troughs of m, counted, and how far they go without the noise.

Noise makes the highest of many peaks too high.  The counted heights are those of the true peaks
with the noise's spread on top; what true heights make the counted ones most likely is found by
expectation maximisation for counts (W. H. Richardson, "Bayesian-based iterative method of image
restoration", J. Opt. Soc. Am. 62 (1972), 55-59; L. B. Lucy, Astron. J. 79 (1974), 745-754).
That leaves a thin tail above the true ones, because a few peaks more or less hardly count.  So the
lowest upper end is taken that makes the counts nearly as likely.
"""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

BIN = 0.0005  # of m
HIGHEST = 4.0  # of a peak that is counted in its bin
NEGLIGIBLE = 1.6 * BIN  # rms of a noise that is not worth taking out
SHIFTED_NOISES = 6.0  # noise does not move a peak further
STEPS_A_NOISE = 4.0  # true heights that are tried, for each rms of the noise
ITERATIONS = 400
LEAST = 0.5  # of a peak: what is less is none
NEARLY = 0.2  # of a neper of likelihood that the upper end may cost

# Slots of the state.
LAST, BEFORE_LAST, TOP = 0, 1, 2  # points before; highest magnitude since m was zero
SLOTS = 3


class PeakHeights:
    """Count the highest point of every swing of m, from zero to zero, upward and downward.

    Attributes
    ----------
    crests, troughs : ndarray, shape (bins,)
        Peaks in each bin of BIN.
    """

    def __init__(self) -> None:
        bins = round(HIGHEST / BIN)
        self.crests = np.zeros(bins, dtype=np.int64)
        self.troughs = np.zeros(bins, dtype=np.int64)
        self._state = np.zeros(SLOTS)

    def feed(self, fine: Block) -> None:
        """Take the next points of m at 192 kHz, shape (n,)."""
        _count(fine, self._state, self.crests, self.troughs)


def highest_without_noise(counts: NDArray[np.int64], noise_rms: float) -> float:
    """Return how far the true peaks go.

    Parameters
    ----------
    counts : ndarray, shape (bins,)
        Peaks in each bin of BIN, read with noise.
    noise_rms : float
        Of the noise; a very weak one is left where it is.
    """
    used = np.flatnonzero(counts)
    if not len(used):
        return 0.0
    top = float((used[-1] + 0.5) * BIN)
    if noise_rms < NEGLIGIBLE:
        return top
    reach, step = SHIFTED_NOISES * noise_rms, noise_rms / STEPS_A_NOISE
    group = max(1, round(step / BIN))
    first = max(0, math.floor((top - 2.0 * reach) / BIN))
    seen = counts[first : used[-1] + 1 + round(reach / BIN)].astype(np.float64)
    seen = np.add.reduceat(seen, np.arange(0, len(seen), group))
    edges: Block = (first + group * np.arange(len(seen) + 1.0)) * BIN
    true = np.arange(edges[0] - reach, top + step, step)
    chances = np.diff(_normal((edges[:, np.newaxis] - true) / noise_rms), axis=0)
    return _upper_end(seen, chances, true)


def _upper_end(seen: Block, chances: NDArray[np.float64], heights: Block) -> float:
    """Return the lowest upper end of the true heights that explains what was seen."""
    true = _most_likely(seen, chances)
    best = _likelihood(seen, chances, true)
    above = np.cumsum(true[::-1])[::-1]
    end = int(np.flatnonzero(above >= min(LEAST, above[0]))[-1])
    true[end] += true[end + 1 :].sum()
    true[end + 1 :] = 0.0
    while end > 0:
        true[end - 1] += true[end]
        true[end] = 0.0
        if best - _likelihood(seen, chances, true) > NEARLY:
            break
        end -= 1
    return float(heights[end])


def _likelihood(seen: Block, chances: NDArray[np.float64], true: Block) -> float:
    """Return the logarithm of the likelihood of counts, but for a constant (Poisson)."""
    expected = np.maximum(chances @ true, 1e-12)
    return float(np.dot(seen, np.log(expected)) - expected.sum())


def _most_likely(seen: Block, chances: NDArray[np.float64]) -> Block:
    """Return how many peaks of each true height make what was seen most likely."""
    share = np.maximum(chances.sum(axis=0), 1e-12)  # of those that are seen at all
    true: Block = np.full(chances.shape[1], seen.sum() / chances.shape[1])
    for _ in range(ITERATIONS):
        expected = np.maximum(chances @ true, 1e-12)
        true *= (chances.T @ (seen / expected)) / share
    return true


def _normal(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the normal distribution, to 1e-7 (Abramowitz and Stegun 1964, 26.2.17)."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    series = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    tail = np.exp(-0.5 * np.square(x)) / math.sqrt(2.0 * math.pi) * series
    return np.where(x > 0.0, 1.0 - tail, tail)


@kernel
def _count(
    fine: Block, state: Block, crests: NDArray[np.int64], troughs: NDArray[np.int64]
) -> None:
    """Put a parabola through the three points at each peak; count the highest of each swing."""
    a, b, top = state[BEFORE_LAST], state[LAST], state[TOP]
    last = crests.shape[0] - 1
    for i in range(fine.shape[0]):
        c = fine[i]
        sign = 1.0 if b >= 0.0 else -1.0
        if sign * b > sign * a and sign * b >= sign * c and abs(b) > 0.9 * top:
            top = max(top, sign * (b - (c - a) * (c - a) / (8.0 * (a - 2.0 * b + c))))
        if sign * c < 0.0:
            if top > 0.0:
                at = min(last, int(top / BIN))
                if sign > 0.0:
                    crests[at] += 1
                else:
                    troughs[at] += 1
            top = 0.0
        a, b = b, c
    state[BEFORE_LAST], state[LAST], state[TOP] = a, b, top
