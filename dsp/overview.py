"""What a picture needs of a long signal, kept in constant memory.

The whole signal as a bounded number of columns with their lowest and highest value, and the
neighbourhood of its deepest trough point by point.
"""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.stage import Block

COLUMNS = 4096  # when they are full, pairs of them become one
FIRST_WIDTH = 64  # points of the finest column, 0.33 ms
AROUND_S = 0.02  # kept on either side of the deepest trough


@dataclass(frozen=True)
class Overview:
    """Lowest and highest m of each column of time."""

    time_s: Block  # shape (n,), middle of each column
    lowest: Block  # shape (n,)
    highest: Block  # shape (n,)


class OverviewMeter:
    """Reduce a stream of any length to at most COLUMNS columns."""

    def __init__(self, starts_at_s: float = 0.0) -> None:
        self._starts_at_s = starts_at_s
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._width = FIRST_WIDTH
        self._waiting = np.zeros(0)
        self._columns = np.zeros((2, 0))

    def feed(self, fine: Block) -> None:
        """Take the next points at 192 kHz, shape (n,)."""
        joined = np.concatenate([self._waiting, fine])
        whole = len(joined) // self._width * self._width
        self._waiting = joined[whole:].copy()
        rows = joined[:whole].reshape(-1, self._width)
        self._columns = np.hstack([self._columns, [rows.min(axis=1), rows.max(axis=1)]])
        while self._columns.shape[1] >= COLUMNS:
            self._halve()

    def read(self) -> Overview:
        """Return the columns so far; an unfinished one counts."""
        lowest, highest = self._columns
        if len(self._waiting):
            lowest = np.append(lowest, self._waiting.min())
            highest = np.append(highest, self._waiting.max())
        middle = (np.arange(len(lowest)) + 0.5) * self._width / FINE_RATE_HZ
        return Overview(np.asarray(self._starts_at_s + middle), lowest.copy(), highest.copy())

    def _halve(self) -> None:
        """Join pairs of columns; an odd last one goes back to the waiting points as extremes."""
        pairs = self._columns.shape[1] // 2
        left = self._columns[:, 2 * pairs :]
        paired = self._columns[:, : 2 * pairs].reshape(2, pairs, 2)
        self._columns = np.stack([paired[0].min(axis=1), paired[1].max(axis=1)])
        if left.size:
            filler = np.full(self._width, left[0, 0])
            filler[-1] = left[1, 0]
            self._waiting = np.concatenate([filler, self._waiting])
        self._width *= 2


@dataclass(frozen=True)
class WorstMoment:
    """The points around the deepest trough."""

    start_s: float
    modulation: Block  # shape (n,), at 192 kHz

    @property
    def time_s(self) -> Block:
        """Time of each point."""
        return self.start_s + np.arange(len(self.modulation)) / FINE_RATE_HZ


class WorstMomentFinder:
    """Keep the points around the deepest trough of a stream."""

    def __init__(self, starts_at_s: float = 0.0) -> None:
        self._starts_at_s = starts_at_s
        self._around = round(AROUND_S * FINE_RATE_HZ)
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        self._recent = np.zeros(2 * self._around)
        self._seen = 0
        self._best = np.zeros(2 * self._around + 1)
        self._best_at = 0

    def feed(self, fine: Block) -> None:
        """Take the next points at 192 kHz, shape (n,); a trough is judged AROUND_S later."""
        joined = np.concatenate([self._recent, fine])
        judged = joined[self._around : len(joined) - self._around]
        if len(judged):
            at = int(np.argmin(judged))
            if judged[at] < self._best[self._around]:
                self._best = joined[at : at + 2 * self._around + 1].copy()
                self._best_at = self._seen - self._around + at
        self._recent = joined[len(joined) - 2 * self._around :].copy()
        self._seen += len(fine)

    def read(self) -> WorstMoment:
        """Return the neighbourhood of the deepest trough that is AROUND_S past."""
        start = self._best_at - self._around
        return WorstMoment(self._starts_at_s + start / FINE_RATE_HZ, self._best.copy())
