"""The response of a transmitter's audio path, from the capture of an exponential sweep."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_recognition import KnownSweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


@dataclass(frozen=True, kw_only=True)
class Detector:
    """What the capture went through after the antenna; it is divided out.

    Attributes
    ----------
    sections : tuple of Section
        Its analogue sections; none: flat.
    frequency_hz, response : ndarray, shape (n,), or None
        Its measured complex response, on any rising grid; multiplied with the sections.
    """

    sections: tuple[Section, ...] = ()
    frequency_hz: Floats | None = None
    response: Complexes | None = None

    def at(self, frequency_hz: Floats) -> Complexes:
        """Return its complex response, magnitude 1 at 1 kHz.

        Raises
        ------
        SettingError
            If a measured response does not reach that far.
        """
        raise NotImplementedError


@dataclass(frozen=True, kw_only=True)
class Harmonic:
    """One harmonic that the transmitter adds, at the depth of the sweep.

    Attributes
    ----------
    order : int
        2 to 5.
    frequency_hz : ndarray, shape (n,)
        Of the fundamental.
    ratio : ndarray of complex, shape (n,)
        Harmonic at ``order`` times the frequency over fundamental; its magnitude is the
        distortion.  Phase: a fundamental sin(p) comes with
        magnitude * sin(order * p + phase), so y = x + a x^2 has phase -pi / 2 for a > 0.
    noise : ndarray, shape (n,)
        Standard deviation of the magnitude that noise alone would give.
    """

    order: int
    frequency_hz: Floats
    ratio: Complexes
    noise: Floats


@dataclass(frozen=True, kw_only=True)
class HumLine:
    """A steady line in the capture that is not of the sweep."""

    frequency_hz: float
    ratio: float  # its amplitude over the sweep's at 1 kHz


@dataclass(frozen=True, kw_only=True)
class SweepResponse:
    """What the capture of a sweep tells.

    Attributes
    ----------
    frequency_hz : ndarray, shape (n,)
        Logarithmic grid within the sweep's band.
    response : ndarray of complex, shape (n,)
        Linear response without the detector's own, magnitude 1 at 1 kHz.  The bulk of delay and
        clock drift is out; what is left of both, and the polarity, are found by the fit.
    noise : ndarray, shape (n,)
        Standard deviation of ``response`` (of its magnitude as a complex number).
    gain : float
        Magnitude of the response at 1 kHz before: captured over played.
    delay_s : float
        How late the sweep lies in the capture.
    clock_ppm : float
        How much longer the sweep takes in the capture; 1e-6.
    sweep : KnownSweep
        What was played.
    signal_to_noise_db : float
        Sweep (with its harmonics) over everything else in the capture but hum, in the sweep's
        band.
    peak_dbfs : float
        Largest sample of the capture.
    harmonics : tuple of Harmonic
        Orders 2 to 5, as far as the sweep's band reaches.
    hum : tuple of HumLine
        Strongest first.
    """

    frequency_hz: Floats
    response: Complexes
    noise: Floats
    gain: float
    delay_s: float
    clock_ppm: float
    sweep: KnownSweep
    signal_to_noise_db: float
    peak_dbfs: float
    harmonics: tuple[Harmonic, ...]
    hum: tuple[HumLine, ...]

    def distortion_at(self, frequency_hz: float) -> float:
        """Return total harmonic distortion (orders 2 to 5) at a fundamental, 1.0 = 100 %."""
        raise NotImplementedError

    def as_detector(self) -> Detector:
        """Return a detector with this response: the capture was a reference of it alone."""
        return Detector(frequency_hz=self.frequency_hz, response=self.response)


def measure_response(
    capture: Block,
    rate_hz: float,
    sweep: KnownSweep,
    detector: Detector | None = None,
    *,
    of_a_detector: bool = True,
) -> SweepResponse:
    """Work out the response of what lies between a played sweep and its capture.

    A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
    technique", 108th AES Convention, 2000.

    Parameters
    ----------
    capture : ndarray, shape (n,)
        The recording, 1.0 = full scale; it may begin before the sweep and go on after it.
    rate_hz : float
        Its sample rate.
    sweep : KnownSweep
        What was played.
    detector : Detector or None
        What the capture went through after the antenna.
    of_a_detector : bool
        Whether the capture shows an envelope, whose trough is cut flat when the carrier is cut
        off; then a capture with flat troughs is refused.

    Raises
    ------
    AudioError
        If the capture cannot be used: wrong rate, silent, clipped, flat at carrier cut-off,
        truncated, of another sweep, or too noisy.
    """
    raise NotImplementedError
