"""How deep a detector sees: the lowest envelope that its recording can tell from none.

The error of a trough's bottom is made of the recording's noise, the error of the carrier's height,
which is that of zero, and the error of the knee.  Near zero e^2 = d^2 + 2 d k: a small error of the
voltage d becomes a large one of the envelope e.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from carrierfloor.dsp.detector_inverse import DetectorModel

NOISES = 3.0  # rms of the noise that a bottom may be off
UNKNOWN_KNEE = 0.15  # of the carrier: a knee that is not known is taken to be no higher (ours)


@dataclass(frozen=True, kw_only=True)
class DetectorSight:
    """A detector, and how well it is known.

    Parameters
    ----------
    model : DetectorModel
        What is taken out.
    knee_error : float
        Of the knee, 1.0 = carrier (95 %).
    carrier_error : float
        Of the carrier's height, a part of it (95 %).
    knows_knee, knows_rc : bool
        Whether those were found or given.
    """

    model: DetectorModel
    knee_error: float
    carrier_error: float
    knows_knee: bool
    knows_rc: bool

    @property
    def zero_error(self) -> float:
        """How far zero may be off, 1.0 = the carrier's voltage."""
        return math.hypot(self.carrier_error, NOISES * self.model.noise)

    @property
    def lowest(self) -> float:
        """The lowest envelope that is believed: below the knee, or in the error of zero, is none.

        Below the knee the diode hardly conducts, and an error of the model counts most.
        """
        blind = float(self.model.envelope(np.array([2.0 * self.zero_error]))[0])
        knee = self.model.knee + self.knee_error if self.knows_knee else UNKNOWN_KNEE
        return max(blind, knee)

    def bounds(self, envelope: float) -> tuple[float, float]:
        """Return the lowest and the highest envelope that may hide behind a corrected one."""
        voltage = float(self.model.voltage(np.array([abs(envelope)]))[0])
        if self.knows_knee:
            knees = [max(0.0, self.model.knee + sign * self.knee_error) for sign in (-1.0, 1.0)]
        else:
            # Nothing was taken out: a diode that begins to conduct late makes troughs deeper still.
            return max(0.0, voltage - self.zero_error - UNKNOWN_KNEE), min(
                1.0, self._seen(voltage + self.zero_error, UNKNOWN_KNEE)
            )
        seen = [
            self._seen(voltage + sign * self.zero_error, knee)
            for sign in (-1.0, 1.0)
            for knee in knees
        ]
        return min(seen), max(seen)

    def _seen(self, voltage: float, knee: float) -> float:
        model = replace(self.model, knee=knee)
        return max(0.0, float(model.envelope(np.array([max(0.0, voltage)]))[0]))
