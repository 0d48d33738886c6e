"""Putting a recording of something in step with it.

Speech processing delays low frequencies and high ones differently and may turn the voice upside
down half-way, so that the plain correlation of both peaks in the wrong place, or nowhere.  What is
correlated is 800 to 3000 Hz, each frequency as much as any other (C. H. Knapp and G. C. Carter,
"The generalized correlation method for estimation of time delay", IEEE Trans. ASSP 24, 1976, phase
transform), half a second at a time, and of that the magnitude of the analytic signal: no phase
that is constant over the band changes it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.reference_match import find_in
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.stored_signal import StoredArray

BAND_HZ = (800.0, 3000.0)
PIECE, TRANSFORM = 24_000, 65_536  # samples
REACH = 480  # samples around the first guess, 10 ms
# A smaller lag than a millisecond is left as it is: it may be the processing's own (phase rotation
# by itself delays 800 to 3000 Hz by 9 samples).
IN_STEP_SAMPLES = 48


@dataclass(frozen=True, eq=False)
class Aligned:
    """A recording, cut or filled up with silence to what it is a recording of."""

    samples: Block  # shape (n,)
    lag_samples: int  # how much later things were
    drift_samples: int  # how much later still in the second half than in the first
    missing_samples: int  # of the original that lie before or behind the recording
    likeness: float  # correlation of the best second, 0 to 1


def aligned(recording: Block, original: Block) -> Aligned:
    """Put a recording in step with the original.

    Parameters
    ----------
    recording : ndarray, shape (k,)
        At 48 kHz: the original in any form, whatever is before and behind it.
    original : ndarray, shape (n,)
        At 48 kHz.

    Raises
    ------
    AudioError
        If the original is not in the recording.
    """
    stored, middle = StoredArray(recording), len(original) / 2
    found = find_in(stored, StoredArray(original))
    guess = round(found.heard_at(middle) - middle)
    pieces = _correlations(stored.take(guess, len(original)), original)
    lag = guess + _highest(pieces)
    if abs(lag) < IN_STEP_SAMPLES:
        lag = 0
    return Aligned(
        samples=stored.take(lag, len(original)),
        lag_samples=lag,
        drift_samples=_drift(pieces),
        missing_samples=max(0, -lag) + max(0, lag + len(original) - len(recording)),
        likeness=found.likeness,
    )


def _correlations(recording: Block, original: Block) -> NDArray[np.float64]:
    """Return the likeness at lags of -REACH to REACH, one row for each piece."""
    stored, known = StoredArray(recording), StoredArray(original)
    starts = range(0, len(original), PIECE)
    return np.array([_correlation(stored.take(s, PIECE), known.take(s, PIECE)) for s in starts])


def _correlation(heard: Block, known: Block) -> NDArray[np.float64]:
    window = np.hanning(PIECE)
    cross = np.fft.fft(heard * window, TRANSFORM) * np.conj(np.fft.fft(known * window, TRANSFORM))
    first, last = (round(hz * TRANSFORM / SAMPLE_RATE_HZ) for hz in BAND_HZ)
    strength = np.abs(cross[first:last])
    analytic = np.zeros(TRANSFORM, dtype=np.complex128)
    analytic[first:last] = cross[first:last] / np.maximum(strength, 1e-300)
    likeness = np.square(np.abs(np.fft.ifft(analytic)))
    return np.roll(likeness, REACH)[: 2 * REACH + 1] * float(strength.sum())


def _drift(pieces: NDArray[np.float64]) -> int:
    """Return how much later the second half is; 0 where one of the halves is not there."""
    middle = (len(pieces) + 1) // 2
    halves = pieces[:middle], pieces[middle:]
    if not all(half.any() for half in halves):
        return 0
    return _highest(halves[1]) - _highest(halves[0])


def _highest(pieces: NDArray[np.float64]) -> int:
    """Return the lag at which all pieces together are most alike."""
    return int(np.argmax(pieces.sum(axis=0))) - REACH
