"""The channel around a carrier: mixed down, at 48 kHz, limited to the wanted width, upright.

Every filter here is flat and has a linear phase, and its delay is taken out: what comes out is in
step with what goes in.
"""

import math

import numpy as np

from carrierfloor.dsp.carrier_phase import HALF, PIECE, WINDOW, CarrierPhase, Demodulated
from carrierfloor.dsp.carrier_search import Samples
from carrierfloor.dsp.decimator import Decimator
from carrierfloor.dsp.fir import Filter, fir_coefficients, fir_kernel, fir_state, low_pass_filters
from carrierfloor.dsp.mixer import Complex, Mixer
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block

MIDDLE_RATE_HZ = 144_000.0  # whole factors bring the rate down to this at least
STOP_DB = 70.0


class CarrierChannel:
    """One carrier and its sidebands out of a recording.

    Parameters
    ----------
    sample_rate_hz : float
        Of the recording.
    is_complex : bool
        Whether it is IQ.
    carrier_hz : float
        Where the carrier lies at first.
    pass_hz, stop_hz : float
        On each side of the carrier: at most 0.1 dB down up to the first, 70 dB from the second.
    """

    def __init__(
        self,
        sample_rate_hz: float,
        *,
        is_complex: bool,
        carrier_hz: float,
        pass_hz: float,
        stop_hz: float,
    ) -> None:
        self._ratio = sample_rate_hz / SAMPLE_RATE_HZ
        self._gain = 1.0 if is_complex else 2.0  # half of a real carrier goes the other way
        self.mixer = Mixer(sample_rate_hz, carrier_hz)
        factor = max(1, math.floor(sample_rate_hz / MIDDLE_RATE_HZ))
        self._decimator = Decimator(factor, sample_rate_hz, SAMPLE_RATE_HZ / 2.0)
        self._resamplers = [Resampler(sample_rate_hz / factor, SAMPLE_RATE_HZ) for _ in range(2)]
        filters = low_pass_filters(pass_hz, stop_hz, STOP_DB)
        self._low_passes = [_LowPass(filters) for _ in range(2)]
        self._late = self._low_passes[0].delay_samples  # still to be dropped
        self._phase = CarrierPhase()

    @property
    def is_locked(self) -> bool:
        """Whether there is a carrier at the newest place looked at."""
        return self._phase.is_locked

    @property
    def position(self) -> float:
        """That place, in samples of the recording since the first one fed."""
        return self._phase.position * self._ratio

    @property
    def carrier_hz(self) -> float:
        """The carrier's frequency there.

        What is left of it behind the mixer was averaged under a window; so is the oscillator
        here, or a ripple of the oscillator would be taken for one of the carrier and go on.
        """
        places: Block = self.position + self._ratio * PIECE * np.arange(-HALF, HALF + 1.0)
        oscillator_hz = float(np.dot(WINDOW, self.mixer.frequencies_at(places)))
        return oscillator_hz + self._phase.residual_hz

    def process(self, frame: Samples, carrier_hz: float) -> Demodulated:
        """Take the next samples of the recording, shape (n,), any n; return what is ready.

        ``carrier_hz`` is where the oscillator glides meanwhile.
        """
        return self._narrow(self._decimator.process(self.mixer.process(frame, carrier_hz)))

    def finish(self) -> Demodulated:
        """Return the rest, as if silence followed."""
        parts = [self._narrow(self._decimator.finish())]
        real, imaginary = (resampler.finish() for resampler in self._resamplers)
        silence = np.zeros(self._low_passes[0].delay_samples + HOP)
        for one, other in ((real, imaginary), (silence, silence)):
            parts.append(self._upright(one, other))
        parts.append(self._phase.finish())
        return Demodulated.joined(parts)

    def _narrow(self, wide: Complex) -> Demodulated:
        parts = (np.ascontiguousarray(wide.real), np.ascontiguousarray(wide.imag))
        pairs = zip(self._resamplers, parts, strict=True)
        real, imaginary = (resampler.process(part) for resampler, part in pairs)
        return self._upright(real, imaginary)

    def _upright(self, real: Block, imaginary: Block) -> Demodulated:
        one, other = self._low_passes
        real, imaginary = one.process(real), other.process(imaginary)
        narrow = np.empty(len(real), dtype=np.complex128)
        narrow.real, narrow.imag = self._gain * real, self._gain * imaginary
        early = min(self._late, len(narrow))
        self._late -= early
        return self._phase.process(narrow[early:])


class _LowPass:
    """A linear-phase low-pass of one or two filters, for blocks of any length."""

    def __init__(self, filters: tuple[Filter, ...]) -> None:
        self.delay_samples = sum(one.length_samples for one in filters) // 2
        self._runs = [(fir_coefficients(one), fir_state(one)) for one in filters]
        self._held = np.zeros(0)

    def process(self, block: Block) -> Block:
        """Take the next samples; return as many whole hops as there are."""
        held = np.concatenate([self._held, block])
        whole = len(held) // HOP * HOP
        ready, self._held = held[:whole], held[whole:]
        for start in range(0, whole, HOP):
            for coefficients, state in self._runs:
                fir_kernel(coefficients, state, ready[start : start + HOP])
        return ready
