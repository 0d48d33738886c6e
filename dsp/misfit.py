"""How far a fitted response lies from a measured one where speech is, beyond its noise."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

SPEECH_HZ = (100.0, 5000.0)
BY_CHANCE = 4.0  # of its variance, that the largest of some thirty noise values reaches
SMOOTHED = 9  # cells of a 48th of an octave
LARGEST_ERROR = 0.1  # that a fit may have, 1.0 = the gain at 1 kHz


def worst_misfit(
    frequency_hz: Floats, off: Complexes, noise: Floats, smoothed: int = SMOOTHED
) -> tuple[float, float]:
    """Return the largest smoothed error, and its frequency in Hz.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n,)
        The grid.
    off : ndarray of complex, shape (n,)
        Measured minus fitted.
    noise : ndarray, shape (n,)
        Standard deviation of the measured one.
    smoothed : int
        So many cells of the grid together: an error in one alone is no error of the path.
    """
    smooth = np.convolve(off, np.ones(smoothed) / smoothed, "same")
    left = np.convolve(noise**2, np.ones(smoothed) / smoothed**2, "same")
    error = np.sqrt(np.maximum(np.abs(smooth) ** 2 - BY_CHANCE * left, 0.0))
    error[(frequency_hz < SPEECH_HZ[0]) | (frequency_hz > SPEECH_HZ[1])] = 0.0
    at = int(np.argmax(error))
    return float(error[at]), float(frequency_hz[at])
