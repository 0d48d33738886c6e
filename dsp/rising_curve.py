"""A smooth curve through zero and through readings with errors: a polynomial of low order."""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.stage import Block

HIGHEST_ORDER = 3
# The sum of squared errors must fall by so much to pay for one order more (common practice: three
# standard errors, no source).
WORTH_AN_ORDER = 9.0
REACH = 4.0  # times the highest place read: nothing is looked for beyond
GRID = 4000


@dataclass(frozen=True, kw_only=True)
class RisingCurve:
    """y(x) = a x + b x^2 + ..., by weighted least squares."""

    factors: Block  # for x as a part of the highest place read
    covariance: NDArray[np.float64]  # of the factors
    scale: float  # the highest place read
    misfit: float  # sum of squared errors over its degrees of freedom; 1 if the errors are right

    @classmethod
    def through(cls, x: Block, y: Block, error: Block) -> Self:
        """Fit the order that the readings ask for.

        Parameters
        ----------
        x, y, error : ndarray, shape (n,)
            At least one reading; ``error`` is the standard error of y.
        """
        fits = cls.of_all_orders(x, y, error)
        chosen = fits[0]
        for fit in fits[1:]:
            if chosen._squares(x, y, error) - fit._squares(x, y, error) > WORTH_AN_ORDER:
                chosen = fit
        return chosen

    @classmethod
    def of_all_orders(cls, x: Block, y: Block, error: Block) -> list[Self]:
        """Return the fits of order 1, 2, ..., as far as the readings allow."""
        # One reading more than factors, or the errors could not be checked.
        highest = max(1, min(HIGHEST_ORDER, len(x) - 1))
        return [cls._of_order(x, y, error, order) for order in range(1, highest + 1)]

    @classmethod
    def _of_order(cls, x: Block, y: Block, error: Block, order: int) -> Self:
        scale = float(x.max())
        powers = (x / scale)[:, np.newaxis] ** np.arange(1, order + 1)
        weighted = powers / error[:, np.newaxis]
        factors = np.asarray(np.linalg.lstsq(weighted, y / error, rcond=None)[0], np.float64)
        squares = float(np.square(weighted @ factors - y / error).sum())
        freedom = len(x) - order
        misfit = squares / freedom if freedom else 1.0
        covariance = np.asarray(np.linalg.pinv(weighted.T @ weighted), np.float64)
        covariance *= max(1.0, misfit)
        return cls(factors=factors, covariance=covariance, scale=scale, misfit=misfit)

    def _squares(self, x: Block, y: Block, error: Block) -> float:
        return float(np.square((self.at(x) - y) / error).sum())

    @property
    def order(self) -> int:
        """The highest power."""
        return len(self.factors)

    def at(self, x: Block) -> Block:
        """Return the heights at places."""
        return np.asarray(self._powers(x) @ self.factors)

    def error_at(self, x: float) -> float:
        """Return the standard error of the height at a place."""
        powers = self._powers(np.array([x]))[0]
        return math.sqrt(float(powers @ self.covariance @ powers))

    def slope_at(self, x: float) -> float:
        """Return how steep it is."""
        step = 1e-5 * self.scale
        low, high = self.at(np.array([x - step, x + step]))
        return float(high - low) / (2.0 * step)

    def meets(self, height: float) -> float | None:
        """Return the lowest place of a height; ``None`` if the curve turns or ends before it."""
        places = np.linspace(0.0, REACH * self.scale, GRID + 1)
        heights = self.at(places)
        over = np.flatnonzero(heights >= height)
        if not len(over) or over[0] == 0:
            return None
        ends = slice(int(over[0]) - 1, int(over[0]) + 1)
        return float(np.interp(height, heights[ends], places[ends]))

    def _powers(self, x: Block) -> Block:
        orders = np.arange(1, len(self.factors) + 1)
        return np.asarray((x / self.scale)[:, np.newaxis] ** orders)
