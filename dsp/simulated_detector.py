"""A simulated diode detector: knee, capacitor and the sound card's coupling.

Three parts in a row, the unmodulated carrier being 1:

* The knee.  A real diode turns from a square law into a straight line somewhere above zero.  Here
  d = sqrt(e^2 + k^2) - k, a hyperbola: e^2 / 2k far below the knee k, e - k far above it.  The
  model is ours, chosen because it can be turned round in closed form.  An exponential diode without
  load gives V ln I0(e / V) (from memory: K. K. Clarke and D. T. Hess, "Communication Circuits",
  1971); with k = 2 V both have the same square law, and between e = 0 and 2.5 they are 3 % of the
  carrier apart at most for a knee of 10 %.
* The capacitor.  It is charged at once and discharges through its resistor, so that the output
  cannot fall faster than exp(-t / RC): v = max(d, v exp(-t / RC)).  That cuts the corners of fast
  troughs, "diagonal clipping"; a sine of index m at the angular frequency w escapes it while
  w RC <= sqrt(1 - m^2) / m (F. E. Terman, "Radio Engineers' Handbook", 1943; from memory).
* The coupling: one high-pass of first order, settled to the carrier when the stream begins.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.stage import Block


@dataclass(frozen=True, kw_only=True)
class DetectorDesign:
    """A diode detector in front of a sound card."""

    knee_pct: float = setting(
        0.0,
        unit="%",
        low=0.0,
        high=100.0,
        effect="where the diode turns from a square law into a line, in % of the carrier",
    )
    rc_ms: float = setting(
        0.0, unit="ms", low=0.0, high=100.0, effect="time constant of capacitor and resistor"
    )
    coupling_hz: float = setting(
        2.0, unit="Hz", low=0.0, high=500.0, effect="corner of the AC coupling; 0: DC-coupled"
    )

    def __post_init__(self) -> None:
        check(self, "detector")

    @property
    def knee(self) -> float:
        """The knee, 1.0 = unmodulated carrier."""
        return self.knee_pct / 100.0

    @property
    def carrier_output(self) -> float:
        """What the diode makes of the unmodulated carrier."""
        return math.hypot(1.0, self.knee) - self.knee


class SimulatedDetector:
    """Detect an envelope, in a stream of blocks; cutting it differently changes nothing.

    Parameters
    ----------
    design : DetectorDesign
        Of the detector.
    rate_hz : float
        Of the stream: so high that the envelope is straight from sample to sample.
    """

    def __init__(self, design: DetectorDesign, rate_hz: float) -> None:
        # A corner near half the rate has no exponential left.
        keeps = math.exp(-1000.0 / (design.rc_ms * rate_hz)) if design.rc_ms > 0.0 else 0.0
        learns = -math.expm1(-2.0 * math.pi * design.coupling_hz / rate_hz)
        self._coefficients = np.array([design.knee, keeps, learns])
        carrier = design.carrier_output
        # The carrier has been on for long.  DC-coupled, the mean is zero and stays so.
        self._state = np.array([carrier, carrier if design.coupling_hz > 0.0 else 0.0])
        self._gain = 1.0 / carrier

    def process(self, envelope: Block) -> Block:
        """Take the next samples of the envelope, shape (n,), 1.0 = unmodulated carrier.

        Returns
        -------
        ndarray, shape (n,)
            The detector's output, in units of its DC for the unmodulated carrier.
        """
        heard = np.array(envelope, dtype=np.float64)
        _detect(self._coefficients, self._state, heard)
        return self._gain * heard


# Slots of the coefficients and the state.
KNEE, KEEPS, LEARNS = 0, 1, 2
VOLTAGE, MEAN = 0, 1  # at the capacitor; what the coupling takes away


@kernel
def _detect(coefficients: Block, state: Block, block: Block) -> None:
    """Run diode, capacitor and coupling over the envelope, in place."""
    knee, keeps, learns = coefficients[KNEE], coefficients[KEEPS], coefficients[LEARNS]
    voltage, mean = state[VOLTAGE], state[MEAN]
    for i in range(block.shape[0]):
        rectified = math.sqrt(block[i] * block[i] + knee * knee) - knee
        voltage = max(rectified, keeps * voltage)
        block[i] = voltage - mean
        mean += learns * block[i]
    state[VOLTAGE], state[MEAN] = voltage, mean
