"""A sweep and its captures from simulated transmitters, for the tests of measuring."""

from collections.abc import Callable
from functools import cache

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.signals import Ramped, Sweep
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_response import Harmonic, HumLine, SweepResponse, measure_response
from tests.reference.capture import Capture
from tests.reference.transmitter import RATE_HZ, Sections, Transmitter

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]

HIGH_PASS = Sections(({"kind": "highpass", "corner_hz": 40.0, "q": 0.7},))
LOW_PASS = Sections(({"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},))
PLAIN = Transmitter((HIGH_PASS, LOW_PASS))
DEPTH = 0.5
CAPTURE = Capture()  # 60 dB of signal to noise, nothing else


def ramped(
    lowest_hz: float = 20.0,
    highest_hz: float = 10_000.0,
    seconds: float = 5.0,
    peak: float = DEPTH * PLAIN.full_modulation,
    rate_hz: int = RATE_HZ,
    ramp_samples: int = 2400,
) -> Ramped:
    """Return a sweep as `tone sweep` makes it."""
    sweep = Sweep(
        lowest_hz=lowest_hz, highest_hz=highest_hz, duration_s=seconds, sample_rate_hz=rate_hz
    )
    return Ramped(
        signal=sweep, peak=peak, ramp_samples=ramp_samples, samples=round(seconds * rate_hz)
    )


def samples_of(signal: Ramped) -> Array:
    """Return all samples."""
    return np.concatenate(list(signal.blocks()))


@cache
def played(seconds: float = 5.0) -> Array:
    """Return the sweep that the tests send; not to be changed."""
    samples = samples_of(ramped(seconds=seconds))
    samples.flags.writeable = False
    return samples


def known(seconds: float = 5.0) -> KnownSweep:
    """Return what is known of it."""
    signal = ramped(seconds=seconds)
    assert isinstance(signal.signal, Sweep)
    return KnownSweep(sweep=signal.signal, peak=signal.peak, ramp_samples=signal.ramp_samples)


@cache
def captured(
    transmitter: Transmitter = PLAIN, capture: Capture = CAPTURE, seconds: float = 5.0
) -> Array:
    """Return a capture of the sweep; not to be changed."""
    samples = capture.record(transmitter, played(seconds))
    samples.flags.writeable = False
    return samples


def seen(
    response: Callable[[Array], Spectrum],
    *,
    noise: float = 1e-4,
    seed: int = 1,
    sign: float = 1.0,
    harmonics: tuple[Harmonic, ...] = (),
    hum: tuple[HumLine, ...] = (),
) -> SweepResponse:
    """Return what an ideal measurement of a response would tell: white noise and nothing else.

    Parameters
    ----------
    response : callable
        Gives the complex response at frequencies in Hz.
    noise : float
        Standard deviation of each cell.
    seed : int
        Of the noise.
    sign : float
        -1.0: the capture is upside down.
    harmonics, hum
        As in SweepResponse.
    """
    frequency_hz = np.geomspace(21.0, 9600.0, 425)
    random = np.random.default_rng(seed)
    off = random.standard_normal((2, len(frequency_hz))) * noise / np.sqrt(2.0)
    return SweepResponse(
        frequency_hz=frequency_hz,
        response=sign * (response(frequency_hz) + off[0] + 1j * off[1]),
        noise=np.full(len(frequency_hz), noise),
        gain=1.0,
        delay_s=0.3,
        clock_ppm=20.0,
        sweep=known(),
        signal_to_noise_db=50.0,
        peak_dbfs=-6.0,
        harmonics=harmonics,
        hum=hum,
    )


@cache
def response_of(transmitter: Transmitter = PLAIN, capture: Capture = CAPTURE) -> SweepResponse:
    """Return what a capture of the sweep tells."""
    return measure_response(captured(transmitter, capture), RATE_HZ, known())
