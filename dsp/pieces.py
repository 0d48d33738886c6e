"""Cutting a stream of m into equal pieces, each with a carrier all along or not."""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.stage import Block

PIECE = 12_000  # samples at 48 kHz: 0.25 s


class Pieces:
    """Collect samples until a piece is whole."""

    def __init__(self) -> None:
        self._waiting, self._locked = np.zeros(0), np.zeros(0, dtype=bool)

    def feed(
        self, modulation: Block, locked: NDArray[np.bool_] | None
    ) -> Iterator[tuple[Block, bool]]:
        """Take the next samples, shape (n,), and whether each had a carrier; yield whole pieces."""
        whole = np.ones(len(modulation), dtype=bool) if locked is None else locked
        samples = np.concatenate([self._waiting, modulation])
        flags = np.concatenate([self._locked, whole])
        end = len(samples) // PIECE * PIECE
        self._waiting, self._locked = samples[end:].copy(), flags[end:].copy()
        for start in range(0, end, PIECE):
            here = slice(start, start + PIECE)
            yield samples[here].copy(), bool(flags[here].all())
