"""The constant that an IQ receiver adds: a line right in the middle of what it records.

Its converters and mixers have an offset of their own (B. Razavi, "Design considerations for
direct-conversion receivers", IEEE Trans. Circuits and Systems II 44 (1997), 428-435).  Near a
carrier it counts as noise, and by itself it looks like a carrier that nothing modulates.
"""

import math

import numpy as np

from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.mixer import Complex

NEAREST_HZ = 30.0  # of a carrier to the middle: nearer by, the two cannot be told apart
LEAST = 3e-4  # of the carrier: less changes no figure
SURE = 5.0  # standard errors
PARTS = 8  # of a stretch, whose scatter tells the error
SIDEBAND_PART = 0.3  # of the line in the middle, that the other sideband has at least
OTHER_WITHIN_HZ = 10.0  # of where it would be


def find_constant(samples: Complex, sample_rate_hz: float, carrier_hz: float) -> complex:
    """Return the constant in a stretch of a recording, 0 if there is none to be seen.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A second or so of IQ.
    sample_rate_hz : float
        Of the samples.
    carrier_hz : float
        Where the carrier lies in it.
    """
    length = len(samples) // PARTS
    if length < 2 or abs(carrier_hz) < NEAREST_HZ:
        return 0.0
    parts = np.array([_line(part, 0.0) for part in samples[: PARTS * length].reshape(PARTS, -1)])
    constant, error = complex(parts.mean()), float(np.std(parts)) / math.sqrt(PARTS)
    carrier = abs(_line(samples[:length], carrier_hz / sample_rate_hz))
    if abs(constant) <= max(LEAST * carrier, SURE * error):
        return 0.0
    # A steady tone of just this frequency has a sideband there; the other one gives it away.
    away = 2.0 * carrier_hz - OTHER_WITHIN_HZ, 2.0 * carrier_hz + OTHER_WITHIN_HZ
    other = find_carrier(samples, sample_rate_hz, *away)
    is_sideband = other is not None and other.amplitude > SIDEBAND_PART * abs(constant)
    return 0.0 if is_sideband else constant


def constant_of(samples: Complex) -> complex:
    """Return the line right in the middle of a stretch, whatever it is."""
    return _line(samples, 0.0) if len(samples) else 0.0


def _line(samples: Complex, turns: float) -> complex:
    """Return the line at so many turns a sample."""
    window = np.hanning(len(samples) + 2)[1:-1]
    if turns:
        window = window * np.exp(-2j * np.pi * turns * np.arange(len(samples)))
    return complex(np.dot(window, samples) / np.abs(window).sum())
