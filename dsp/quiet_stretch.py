"""The quietest stretch of a recording: where hum and noise can be heard by themselves."""

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.pieces import PIECE, Pieces
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LONG, SHORT = 8, 2  # pieces of a stretch: 2 s, or half a second where speech leaves no more
LOUDER = 2.0  # times the power of the short stretch: the long one holds speech


@dataclass(frozen=True, kw_only=True)
class Quiet:
    """A stretch of m."""

    start_s: float
    samples: Block  # at 48 kHz
    below_rest_db: float  # its level under that of the whole recording; little: no silence

    @property
    def duration_s(self) -> float:
        """Its length."""
        return len(self.samples) / SAMPLE_RATE_HZ


class QuietStretch:
    """Look for the quietest stretch in a stream of m at 48 kHz that has a carrier all along."""

    def __init__(self) -> None:
        self._cutter = Pieces()
        self._position = 0  # of the next piece
        self._recent: deque[Block] = deque(maxlen=LONG)
        self._best: dict[int, tuple[float, int, Block]] = {}  # by pieces: power, begin, samples
        self._sum, self._pieces = 0.0, 0

    def feed(self, modulation: Block, locked: NDArray[np.bool_] | None = None) -> None:
        """Take the next samples of m, shape (n,), and whether each had a carrier."""
        for piece, has_carrier in self._cutter.feed(modulation, locked):
            self._take(piece, has_carrier)

    def read(self) -> Quiet | None:
        """Return the quietest 2 s; half a second if that is much quieter, or there is no more."""
        if SHORT not in self._best:
            return None
        power, begin, samples = self._best[SHORT]
        if LONG in self._best and self._best[LONG][0] <= LOUDER * power:
            power, begin, samples = self._best[LONG]
        mean = self._sum / self._pieces
        ratio = max(mean, 1e-30) / max(power, 1e-30)
        return Quiet(
            start_s=begin / SAMPLE_RATE_HZ,
            samples=samples,
            below_rest_db=float(10.0 * np.log10(ratio)),
        )

    def _take(self, piece: Block, has_carrier: bool) -> None:
        self._position += PIECE
        if not has_carrier:
            self._recent.clear()
            return
        self._recent.append(piece)
        self._sum, self._pieces = self._sum + float(np.var(piece)), self._pieces + 1
        for pieces in (SHORT, LONG):
            if len(self._recent) < pieces:
                continue
            samples = np.concatenate(list(self._recent)[-pieces:])
            power = float(np.var(samples))
            if pieces not in self._best or power < self._best[pieces][0]:
                self._best[pieces] = power, self._position - len(samples), samples
