"""Where in a recording something is heard that was played on another clock."""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.stored_signal import Stored

ORDER = 5  # of the splines between samples: up to 5 kHz within 1e-4 of a sine's amplitude
MARGIN = 40  # samples after which the spline's ends are forgotten to 1e-14


@dataclass(frozen=True)
class TimeMap:
    """A straight line from the samples of a recording to those of what was played, both at 48 kHz.

    Parameters
    ----------
    offset : float
        Sample of the recording at which sample 0 of what was played is heard.
    clock_ppm : float
        How much longer things take in the recording.
    sign : float
        -1.0 if it is heard upside down.
    likeness : float
        Correlation of the best piece, 0 to 1.
    error_samples : float
        Rms of how far single pieces lie beside the line.
    found : float
        Part of the pieces that were found beside it, 0 to 1; where many were not, samples are
        missing, or something else is heard.
    """

    offset: float
    clock_ppm: float
    sign: float
    likeness: float
    error_samples: float
    found: float = 1.0

    @property
    def stretch(self) -> float:
        """Samples of the recording for each sample of what was played."""
        return 1.0 + 1e-6 * self.clock_ppm

    def sent_at(self, heard: Block | float) -> Block:
        """Return the place in what was played that belongs to a place in the recording."""
        return (np.asarray(heard, dtype=np.float64) - self.offset) / self.stretch

    def heard_at(self, sent: float) -> float:
        """Return the place in the recording at which a place of what was played is heard."""
        return self.offset + self.stretch * sent

    def take(self, sent: Stored, first: int, count: int) -> Block:
        """Return what was played, in step with samples of the recording and as heard, upside down.

        Parameters
        ----------
        sent : Stored
            What was played, at 48 kHz.
        first, count : int
            Which samples of the recording.

        Returns
        -------
        ndarray, shape (count,)
            Zero where nothing was played.
        """
        from scipy import ndimage

        places = self.sent_at(np.arange(first, first + count, dtype=np.float64))
        start = math.floor(places[0]) - MARGIN
        wanted = math.ceil(places[-1]) + MARGIN + 1 - start
        around = sent.take(start, wanted)
        between = ndimage.map_coordinates(around, [places - start], order=ORDER, mode="nearest")
        return np.asarray(self.sign * between)
