"""One steady tone in the envelope: its depth, its harmonics with their phases, what is left."""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.sine_fit import WEIGHT_NOISE, SineFit, fit_sines
from carrierfloor.dsp.stage import Block

MOST_HARMONICS = 20
CERTAIN = 3.0  # standard errors above which a line counts as seen


@dataclass(frozen=True, kw_only=True)
class Harmonic:
    """A multiple of a tone.

    Its phase is that of a cosine against the fundamental's, turned to where the fundamental has
    its positive peak: 0 or 180 degrees for anything that flattens or sharpens peaks.
    """

    order: int
    frequency_hz: float
    amplitude: float
    level_db: float  # over the fundamental
    phase_deg: float


@dataclass(frozen=True, kw_only=True)
class OneTone:
    """A steady tone; amplitudes are peaks, 1.0 = 100 % modulation."""

    frequency_hz: float
    amplitude: float
    mean: float  # of m: the shift of the carrier
    harmonics: tuple[Harmonic, ...]  # from the second on, as far as the recording goes
    rest_rms: float  # of what is neither tone nor harmonic: noise, hum
    error: float  # standard error of an amplitude, from the rest

    @property
    def thd(self) -> float | None:
        """Root of the harmonics' power over the fundamental's; ``None``: none was in reach."""
        if not self.harmonics:
            return None
        squares = sum(harmonic.amplitude**2 for harmonic in self.harmonics)
        return math.sqrt(squares) / self.amplitude

    def is_certain(self, harmonic: Harmonic) -> bool:
        """Tell whether a harmonic stands clear of the noise."""
        return harmonic.amplitude > CERTAIN * self.error


def orders_within(frequency_hz: float, highest_hz: float) -> int:
    """Return the highest harmonic that is looked at; 1 is the tone itself."""
    return max(1, min(MOST_HARMONICS, int(highest_hz / frequency_hz)))


def one_tone(samples: Block, rate_hz: float, frequency_hz: float, highest_hz: float) -> OneTone:
    """Measure a tone whose frequency is known.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        m, four periods of the tone at least.
    rate_hz : float
        Of the samples.
    frequency_hz : float
        Of the tone, to a small part of one turn in the stretch.
    highest_hz : float
        What the recording passes; harmonics beyond are not looked at.
    """
    orders = np.arange(1.0, orders_within(frequency_hz, highest_hz) + 1.0)
    fit = fit_sines(samples, rate_hz, orders * frequency_hz)
    rest_rms = float(np.sqrt(np.mean(np.square(fit.rest(samples, rate_hz)))))
    return OneTone(
        frequency_hz=float(frequency_hz),
        amplitude=float(np.abs(fit.amplitude[0])),
        mean=fit.mean,
        harmonics=tuple(_harmonic(fit, order) for order in range(2, len(orders) + 1)),
        rest_rms=rest_rms,
        error=line_error(rest_rms, len(samples)),
    )


def line_error(rest_rms: float, count: int) -> float:
    """Return the standard error that white noise gives to either part of a fitted amplitude."""
    return rest_rms * math.sqrt(2.0 * WEIGHT_NOISE / count)


def _harmonic(fit: SineFit, order: int) -> Harmonic:
    tone, line = fit.amplitude[0], fit.amplitude[order - 1]
    ratio = float(np.abs(line) / np.abs(tone))
    turned = np.angle(line) - order * np.angle(tone)
    return Harmonic(
        order=order,
        frequency_hz=float(fit.frequency_hz[order - 1]),
        amplitude=float(np.abs(line)),
        level_db=20.0 * math.log10(max(ratio, 1e-10)),
        phase_deg=math.degrees(math.remainder(float(turned), 2.0 * math.pi)),
    )
