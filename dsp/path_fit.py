"""The measured response as analogue sections: what stands in the rig file."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.sweep_response import SweepResponse

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class FittedSection:
    """One section and how well it is known."""

    section: Section
    uncertainty: Mapping[str, float]  # standard deviation of corner_hz, centre_hz, gain_db, q


@dataclass(frozen=True, kw_only=True)
class PathFit:
    """Sections fitted to a measured response.

    Attributes
    ----------
    path : Path
        The sections, rounded as they are to be written, ready for the rig file.
    sections : tuple of FittedSection
        The same with their uncertainty.
    polarity : str
        "normal" or "inverted": of the capture against what was played, the detector's included.
    delay_s, clock_ppm : float
        Of the whole measurement, as in SweepResponse, but exact.
    residual_db : float
        Rms of measured minus fitted response over the grid, 0 dB = the gain at 1 kHz.
    worst_error, worst_error_hz : float
        Largest difference where speech is (100 Hz to 5 kHz) beyond what noise explains,
        1.0 = the gain at 1 kHz, and where.
    frequency_hz : ndarray, shape (n,)
        The grid.
    measured, fitted : ndarray of complex, shape (n,)
        Both with magnitude 1 at 1 kHz, polarity, delay and clock drift removed.
    noise : ndarray, shape (n,)
        Standard deviation of ``measured``.
    """

    path: Path
    sections: tuple[FittedSection, ...]
    polarity: str
    delay_s: float
    clock_ppm: float
    residual_db: float
    worst_error: float
    worst_error_hz: float
    frequency_hz: Floats
    measured: Complexes
    fitted: Complexes
    noise: Floats


def fit_path(response: SweepResponse, name: str) -> PathFit:
    """Fit analogue sections to a measured response.

    Parameters
    ----------
    response : SweepResponse
        From :func:`measure_response`.
    name : str
        Of the path.

    Raises
    ------
    SettingError
        If no set of sections that the limiter can hold comes near.
    """
    raise NotImplementedError
