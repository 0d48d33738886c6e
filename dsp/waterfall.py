"""Spectra over time, in memory that stays constant: when it is full, pairs of rows become one."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.rf_spectrum import levels_dbc
from carrierfloor.dsp.spectral_window import NOISE_BINS
from carrierfloor.dsp.stage import Block

ROWS = 2048
Rows = NDArray[np.float32]


@dataclass(frozen=True, kw_only=True)
class Waterfall:
    """Mean and highest power of each bin in each row of time, unmodulated carrier = 1."""

    row_s: float  # length of a row
    begins_s: float  # the first row, in the recording
    duration_s: float  # of all rows; the last may be shorter
    offset_hz: Block  # shape (n,)
    mean_power: Rows  # shape (rows, n)
    peak_power: Rows  # shape (rows, n), of any one segment

    @property
    def time_s(self) -> Block:
        """The middle of each row, in the recording."""
        begins = self.row_s * np.arange(len(self.mean_power))
        middles = (begins + np.minimum(begins + self.row_s, self.duration_s)) / 2.0
        return np.asarray(self.begins_s + middles)

    @property
    def mean_dbc(self) -> Block:
        """Mean level, as an analyser shows it; shape (rows, n)."""
        return levels_dbc(NOISE_BINS * np.asarray(self.mean_power, dtype=np.float64))

    @property
    def peak_dbc(self) -> Block:
        """Highest level; shape (rows, n)."""
        return levels_dbc(NOISE_BINS * np.asarray(self.peak_power, dtype=np.float64))

    def beyond_dbc(self, offset_hz: float, up_to_hz: float = math.inf) -> tuple[Block, Block]:
        """Return the mean power beyond an offset over time, lower and upper side, (rows,) each."""
        sides = []
        for side in (-1.0, 1.0):
            away = side * self.offset_hz
            wanted = (away > offset_hz) & (away <= up_to_hz)
            sides.append(levels_dbc(self.mean_power[:, wanted].sum(axis=1, dtype=np.float64)))
        return sides[0], sides[1]


class WaterfallRows:
    """Collect equal pieces of time into rows.

    Parameters
    ----------
    bins : int
        Of each piece.
    pieces_a_row : int
        To begin with; doubled whenever ROWS rows are full.
    """

    def __init__(self, bins: int, pieces_a_row: int) -> None:
        self.pieces_a_row = pieces_a_row
        self._mean, self._peak = (np.zeros((0, bins), dtype=np.float32) for _ in range(2))
        self._rows = 0
        self._sum, self._highest = np.zeros(bins), np.zeros(bins, dtype=np.float32)
        self._pieces = 0  # in the row that is not yet full

    def add(self, mean: Block, peak: Block) -> None:
        """Take the next piece, shapes (bins,)."""
        self._sum += mean
        np.maximum(self._highest, peak, out=self._highest)
        self._pieces += 1
        if self._pieces < self.pieces_a_row:
            return
        if self._rows == len(self._mean):
            self._grow()
        self._mean[self._rows], self._peak[self._rows] = self._sum / self._pieces, self._highest
        self._rows += 1
        self._sum[:], self._highest[:], self._pieces = 0.0, 0.0, 0
        if self._rows == ROWS:
            self._halve()

    def read(self) -> tuple[Rows, Rows]:
        """Return mean and highest of all rows; one that is not yet full counts."""
        mean, peak = self._mean[: self._rows], self._peak[: self._rows]
        if self._pieces:
            mean = np.vstack([mean, np.asarray(self._sum / self._pieces, dtype=np.float32)])
            peak = np.vstack([peak, self._highest])
        return mean.copy(), peak.copy()

    def _grow(self) -> None:
        more = np.zeros((min(ROWS, max(64, 2 * self._rows)) - self._rows, self._mean.shape[1]))
        self._mean, self._peak = (
            np.vstack([rows, more.astype(np.float32)]) for rows in (self._mean, self._peak)
        )

    def _halve(self) -> None:
        half = self._rows // 2
        self._mean[:half] = (self._mean[0::2] + self._mean[1::2]) / 2.0
        self._peak[:half] = np.maximum(self._peak[0::2], self._peak[1::2])
        self._rows, self.pieces_a_row = half, 2 * self.pieces_a_row
