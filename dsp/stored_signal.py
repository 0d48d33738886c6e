"""A signal at 48 kHz of which any part can be had again, such as one that is kept in a file."""

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.stage import Block


class Stored(Protocol):
    """What can be asked for in any order."""

    @property
    def samples(self) -> int:
        """How many there are."""
        ...

    def take(self, first: int, count: int) -> Block:
        """Return ``count`` samples from number ``first`` on; zeros outside the signal."""
        ...


class StoredArray:
    """A signal in an array, or in a file that is mapped into memory.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any float type.
    """

    def __init__(self, values: NDArray[Any]) -> None:
        self._values = values

    @property
    def samples(self) -> int:
        """How many there are."""
        return len(self._values)

    def take(self, first: int, count: int) -> Block:
        """Return ``count`` samples from number ``first`` on; zeros outside the signal."""
        taken = np.zeros(count)
        low, high = max(first, 0), min(first + count, len(self._values))
        if high > low:
            taken[low - first : high - first] = self._values[low:high]
        return taken
