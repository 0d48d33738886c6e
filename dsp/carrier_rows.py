"""What a demodulated signal does fifty times a second: its carrier, what is on it and across it.

Amplitude modulation lies along the carrier.  Noise lies along and across it alike, so what lies
across tells how much of what lies along is noise.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

ROW = 960  # samples, 20 ms: one period of 50 Hz
ROW_S = ROW / SAMPLE_RATE_HZ
# A detector has nothing across the carrier; the quietest rows tell its noise, if they are so much
# quieter than the loudest.
QUIETEST_PCT, LOUDEST_PCT, QUIETER = 2.0, 95.0, 0.01
MOST_MISSING = 0.02  # of a row: it still counts as one with a carrier


@dataclass(frozen=True)
class Rows:
    """One row each 20 ms, all arrays of shape (n,); heights and powers as in the recording."""

    height: Block  # mean of the part along the carrier
    along: Block  # mean square of that part, less its mean
    across: Block  # mean square of the part across
    magnitude: Block  # mean of the magnitude
    locked: NDArray[np.bool_]  # whether there was a carrier

    def __len__(self) -> int:
        return len(self.height)

    @property
    def times_s(self) -> Block:
        """The middle of each row."""
        return np.asarray((np.arange(len(self)) + 0.5) * ROW_S)

    @property
    def power(self) -> Block:
        """Mean square of the magnitude."""
        return np.asarray(np.square(self.height) + self.along + self.across)


class RowMeter:
    """Reduce a demodulated stream to rows; an hour of them takes 3 MB."""

    def __init__(self) -> None:
        self._waiting = Demodulated.nothing(0)
        self._rows: list[NDArray[np.float32]] = []
        self._locks: list[NDArray[np.bool_]] = []

    def feed(self, signal: Demodulated) -> None:
        """Take the next samples, any number."""
        joined = Demodulated.joined([self._waiting, signal])
        whole = len(joined) // ROW * ROW
        self._waiting = joined[whole:]
        if whole:
            self._add(joined[:whole])

    def read(self) -> Rows:
        """Return all whole rows."""
        rows = np.concatenate([np.zeros((0, 4), dtype=np.float32), *self._rows])
        height, along, across, magnitude = np.ascontiguousarray(rows.T, dtype=np.float64)
        return Rows(
            height=height,
            along=along,
            across=across,
            magnitude=magnitude,
            locked=np.concatenate([np.zeros(0, dtype=bool), *self._locks]),
        )

    def _add(self, signal: Demodulated) -> None:
        real, imaginary = (one.reshape(-1, ROW) for one in (signal.in_phase, signal.quadrature))
        squares = np.square(real), np.square(imaginary)
        height = real.mean(axis=1)
        table = [
            height,
            np.maximum(squares[0].mean(axis=1) - np.square(height), 0.0),
            squares[1].mean(axis=1),
            np.sqrt(squares[0] + squares[1]).mean(axis=1),
        ]
        self._rows.append(np.stack(table, axis=1).astype(np.float32))
        missing = 1.0 - signal.locked.reshape(-1, ROW).mean(axis=1)
        self._locks.append(missing <= MOST_MISSING)


def with_noise_of_pauses(rows: Rows) -> Rows:
    """Return rows of a detector, the power along of the quietest as that across."""
    if not len(rows):
        return rows
    quiet, loud = np.percentile(rows.along, [QUIETEST_PCT, LOUDEST_PCT])
    noise = float(quiet) if quiet < QUIETER * loud else 0.0
    return replace(rows, across=np.full(len(rows), noise))
