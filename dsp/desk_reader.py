"""What the live desk has done since it was last looked at: readings and samples."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.stage import HOP, Block

# The newest part of a ring that a reader may still trust while the audio side writes on.
TRUSTED_HOPS = at.RING_READINGS - 32


@dataclass(frozen=True, kw_only=True)
class Stretch:
    """A stretch of live audio, of whole hops.

    Attributes
    ----------
    lost_samples : int
        Samples missing ahead of it.
    readings : ndarray, shape (hops, desk_layout.READING)
        One row a hop; the columns are in desk_layout.py.
    raw, card, antenna : ndarray, shape (HOP * hops,)
        Microphone, sound-card samples and the predicted modulation of the first path, at 48 kHz.
        ``antenna`` belongs to ``card``; both are late by the desk's latency less a hop.
    """

    lost_samples: int
    readings: Block
    raw: Block
    card: Block
    antenna: Block


class DeskReader:
    """Follow the rings of a desk; several readers do not disturb each other.

    Parameters
    ----------
    words, whole : ndarray
        The desk's memory; see :class:`carrierfloor.dsp.desk.Desk`.

    Attributes
    ----------
    lost_samples : int
        Samples that were overwritten before this reader came to see them.
    """

    def __init__(self, words: Block, whole: NDArray[np.int64]) -> None:
        self._words, self._whole = words, whole
        self._next = int(whole[at.HOPS])
        self.lost_samples = 0

    def advance(self) -> Stretch:
        """Return everything since the last call; after a sleep of over 5 s the oldest is lost."""
        hops = int(self._whole[at.HOPS])
        first = max(self._next, hops - TRUSTED_HOPS)
        lost = first - self._next
        stretch = Stretch(
            lost_samples=lost * HOP,
            readings=self._copy(at.READINGS, at.READING, first, hops).reshape(-1, at.READING),
            raw=self._copy(at.RAW, HOP, first, hops),
            card=self._copy(at.CARD, HOP, first, hops),
            antenna=self._copy(at.ANTENNA, HOP, first, hops),
        )
        self.lost_samples += lost * HOP
        self._next = hops
        return stretch

    def _copy(self, ring: int, width: int, first: int, last: int) -> Block:
        """Copy the hops from ``first`` to before ``last``, which may lie around the ring's end."""
        size = at.RING_READINGS
        begin, count = first % size, last - first
        head = min(count, size - begin)
        start = ring + begin * width
        pieces: list[Any] = [
            self._words[start : start + head * width],
            self._words[ring : ring + (count - head) * width],
        ]
        return np.concatenate(pieces)
