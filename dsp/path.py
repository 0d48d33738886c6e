"""A path: what the transmitter's audio stages do to the audio on its way to the antenna."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.sections import Section, analogue_response

REFERENCE_HZ = 1000.0  # a path has unity gain here


@dataclass(frozen=True, kw_only=True)
class Path:
    """A cascade of analogue sections with unity gain at 1 kHz."""

    name: str
    sections: tuple[Section, ...] = ()

    def response(self, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the complex response at the given frequencies, magnitude 1 at 1 kHz."""
        reference = np.abs(analogue_response(self.sections, np.array([REFERENCE_HZ])))[0]
        return np.asarray(analogue_response(self.sections, frequency_hz) / reference)
