"""The band around a simulated carrier as a receiver gets it: complex, filtered, with noise."""

import math

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.resampler import ComplexResampler, Resampler
from carrierfloor.dsp.simulated_channel import ChannelDesign, SimulatedChannel
from carrierfloor.dsp.simulated_noise import WhiteNoise
from carrierfloor.dsp.stage import Block

# The envelope is wanted at this rate at least.  The lines of its corners fall by 12 dB an octave:
# what folds back onto 20 kHz lies 60 dB below what is there.
FINE_RATE_HZ = 768_000.0
SETTLING = 2048  # samples of the band, at least, until a resampler has rung out
INSIDE = 0.45  # part of the band that a carrier may be away from its middle


class Rates:
    """The sample rates of a simulation, in whole ratios.

    Parameters
    ----------
    recorded_hz : int
        Of the recording.
    band_hz : int
        Of the complex samples that carry all it can show.

    Attributes
    ----------
    fine_hz : float
        Of the envelope.
    settling, settling_band, settling_fine : int
        The same time in samples of the recording, the band and the envelope: so long the
        transmitter is on before time zero.
    """

    def __init__(self, recorded_hz: int, band_hz: int) -> None:
        self.recorded_hz, self.band_hz = recorded_hz, band_hz
        doublings = max(0, math.ceil(math.log2(FINE_RATE_HZ / band_hz)))
        self.fine_hz = float(band_hz * 2**doublings)
        whole = band_hz // math.gcd(band_hz, recorded_hz)
        self.settling_band = whole * math.ceil(SETTLING / whole)
        self.settling = self.settling_band * recorded_hz // band_hz
        self.settling_fine = self.settling_band * 2**doublings


class SimulatedBand:
    """From the envelope to what a receiver's filter lets through; the carrier is 1.0.

    Parameters
    ----------
    channel : ChannelDesign
        Carrier, fading, neighbour, noise.
    rates : Rates
        Of envelope and band.
    random : numpy Generator
        For the noise and the carrier's phase.

    Raises
    ------
    SettingError
        If the carrier or the neighbour does not fit into the band.
    """

    def __init__(self, channel: ChannelDesign, rates: Rates, random: np.random.Generator) -> None:
        self._design, self._rate_hz = channel, rates.band_hz
        # Twice the band holds what an offset moves out of it; at high rates nothing is there.
        ratio = 2 if rates.fine_hz > rates.band_hz else 1
        wide_hz, first = float(ratio * rates.band_hz), -ratio * rates.settling_band
        self._down = Resampler(rates.fine_hz, wide_hz)
        self._channel = SimulatedChannel(channel, wide_hz, first, random.uniform())
        self._filter = ComplexResampler(wide_hz, rates.band_hz)
        self._noise = WhiteNoise(channel.noise_rms(rates.band_hz), random)
        self._next = -rates.settling_band
        self._check_carrier()

    def process(self, envelope: Block) -> Complex:
        """Take the next samples of the envelope, shape (n,); return the band that is ready."""
        received = self._channel.process(self._down.process(envelope))
        return self._noisy(self._filter.process(received))

    def finish(self) -> Complex:
        """Return the rest, as if the transmitter were switched off."""
        received = self._channel.process(self._down.finish())
        rest = [self._filter.process(received), self._filter.finish()]
        return self._noisy(np.concatenate(rest))

    def _noisy(self, clean: Complex) -> Complex:
        self._next += len(clean)
        self._check_carrier()
        return clean + self._noise.take(len(clean))

    def _check_carrier(self) -> None:
        """Refuse a carrier outside of the band."""
        time_s = max(0.0, self._next / self._rate_hz)
        carrier_hz, highest_hz = self._design.carrier_hz(time_s), INSIDE * self._rate_hz
        if abs(carrier_hz) > highest_hz:
            when = f" after {time_s:.1f} s" if time_s else ""
            raise SettingError(
                f"the carrier is {carrier_hz:+.0f} Hz from the middle of the recorded band{when}; "
                f"it must stay within {highest_hz:.0f} Hz: take a smaller offset or drift, or a "
                "higher rate"
            )
