"""The response of a transmitter's audio path, from the capture of an exponential sweep."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.deconvolution import Deconvolution
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.hum_lines import Line
from carrierfloor.dsp.path import REFERENCE_HZ
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_clock import locate
from carrierfloor.dsp.sweep_curves import (
    Curve,
    harmonic_curve,
    interpolated,
    linear_curve,
    orders,
)
from carrierfloor.dsp.sweep_noise import noise_left, signal_to_noise_db, windows, without_hum
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_refusals import (
    LEAST_SIGNAL_TO_NOISE_DB,
    check_flat,
    check_gaps,
    check_noise,
    check_samples,
)

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

BEYOND = 1.05  # a detector's measured response is taken to be flat so far beyond its ends


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
        at_hz = np.asarray(frequency_hz, dtype=float)
        everywhere = np.append(at_hz, REFERENCE_HZ)
        product = analogue_response(self.sections, everywhere)
        if self.frequency_hz is not None and self.response is not None:
            low_hz, high_hz = self.frequency_hz[0] / BEYOND, self.frequency_hz[-1] * BEYOND
            if at_hz.min() < low_hz or at_hz.max() > high_hz:
                raise SettingError(
                    f"the detector's response reaches from {self.frequency_hz[0]:.0f} to "
                    f"{self.frequency_hz[-1]:.0f} Hz, the sweep from {at_hz.min():.0f} to "
                    f"{at_hz.max():.0f} Hz; measure the detector with the same sweep"
                )
            product = product * interpolated(everywhere, self.frequency_hz, self.response)
        return np.asarray(product[:-1] / abs(product[-1]))


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
        power = 0.0
        for harmonic in self.harmonics:
            if harmonic.frequency_hz[0] <= frequency_hz <= harmonic.frequency_hz[-1]:
                ratio = np.interp(
                    math.log(frequency_hz), np.log(harmonic.frequency_hz), np.abs(harmonic.ratio)
                )
                power += float(ratio) ** 2
        return math.sqrt(power)

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
    least_signal_to_noise_db: float = LEAST_SIGNAL_TO_NOISE_DB,
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
    least_signal_to_noise_db : float
        A capture with less is refused.

    Raises
    ------
    AudioError
        If the capture cannot be used: wrong rate, silent, clipped, flat at carrier cut-off,
        truncated, of another sweep, too noisy, or with a gap.
    """
    detector = detector or Detector()
    check_samples(capture, rate_hz, sweep)
    mean = float(capture.mean())
    kept, delay, clock_ppm, cropped = locate(capture - mean, sweep)
    found = Deconvolution(kept, sweep, clock_ppm, delay)
    lines, clean = without_hum(found, kept, rate_hz)
    explained = found.explained(windows(found))
    left = noise_left(found, clean, sweep, delay)
    snr_db = signal_to_noise_db(clean - explained, explained, sweep, delay, left)
    check_noise(snr_db, least_signal_to_noise_db)
    if of_a_detector:
        check_flat(clean, found.explained([found.linear]), sweep, delay)
        check_gaps(kept, -mean, sweep, delay, cropped)
    linear = linear_curve(found, sweep, clock_ppm)
    own = detector.at(linear.frequency_hz)
    at_1_khz = Curve(linear.frequency_hz, linear.response / own, linear.noise)
    gain = float(np.abs(at_1_khz.at(np.array([REFERENCE_HZ])))[0])
    return SweepResponse(
        frequency_hz=linear.frequency_hz,
        response=linear.response / own / gain,
        noise=linear.noise / np.abs(own) / gain,
        gain=gain,
        delay_s=(delay + cropped) / rate_hz,
        clock_ppm=clock_ppm,
        sweep=sweep,
        signal_to_noise_db=snr_db,
        peak_dbfs=20.0 * math.log10(float(np.abs(capture).max())),
        harmonics=_harmonics(found, sweep, linear, detector),
        hum=tuple(
            HumLine(
                frequency_hz=line.frequency_hz,
                ratio=line.amplitude / (gain * abs(sweep.peak) * _own(detector, line)),
            )
            for line in lines
        ),
    )


def _own(detector: Detector, line: Line) -> float:
    """Return what a detector makes of a line, as far as its response is known."""
    frequency_hz = line.frequency_hz
    if detector.frequency_hz is not None:
        frequency_hz = float(
            np.clip(frequency_hz, detector.frequency_hz[0], detector.frequency_hz[-1])
        )
    return float(np.abs(detector.at(np.array([frequency_hz])))[0])


def _harmonics(
    found: Deconvolution, sweep: KnownSweep, linear: Curve, detector: Detector
) -> tuple[Harmonic, ...]:
    kept = []
    for order in orders():
        curve = harmonic_curve(found, sweep, linear, order)
        if curve is None:
            continue
        base_hz = curve.frequency_hz
        fundamental = linear.at(base_hz) / detector.at(base_hz)
        ratio = curve.response / detector.at(order * base_hz) / np.abs(fundamental)
        phase = np.angle(fundamental)
        kept.append(
            Harmonic(
                order=order,
                frequency_hz=base_hz,
                ratio=ratio * np.exp(-1j * order * phase),
                noise=curve.noise / np.abs(detector.at(order * base_hz) * fundamental),
            )
        )
    return tuple(kept)
