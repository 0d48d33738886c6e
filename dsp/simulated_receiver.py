"""Simulated receivers: from the envelope at a high rate to a recording at the rate it is stored at.

All of them are in step with what comes in and have settled when their recording begins: what they
hear of ``rates.settling_fine`` samples is thrown away.  The band that an IQ recording shows is
centred on the receiver's frequency, that of an IF recording on its intermediate frequency; a good
filter ends either before the sample rate would fold it.
"""

import math
from abc import ABC, abstractmethod

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.resampler import ComplexResampler, Resampler
from carrierfloor.dsp.simulated_band import Rates, SimulatedBand
from carrierfloor.dsp.simulated_channel import ChannelDesign, SimulatedChannel
from carrierfloor.dsp.simulated_detector import DetectorDesign, SimulatedDetector
from carrierfloor.dsp.simulated_noise import BandNoise
from carrierfloor.dsp.stage import Block

NARROWEST_HZ = 4000  # band of an IF recording
WHOLE_HZ = 200  # which that band is a multiple of, so that rates stay in simple ratios

Recorded = Block | Complex


class Receiver(ABC):
    """A receiver for a stream of blocks; cutting it differently changes nothing.

    Parameters
    ----------
    rates : Rates
        Of envelope and recording.
    """

    def __init__(self, rates: Rates) -> None:
        self.rates = rates
        self._early = rates.settling  # samples of the recording, still to be dropped

    def process(self, envelope: Block) -> Recorded:
        """Take the next samples of the envelope, shape (n,), 1.0 = unmodulated carrier.

        Returns
        -------
        ndarray, shape (m,)
            What is ready of the recording, 1.0 = unmodulated carrier; complex for IQ.
        """
        return self._on_time(self._receive(envelope))

    def finish(self) -> Recorded:
        """Return the rest, as if the transmitter were switched off."""
        return self._on_time(self._rest())

    def _on_time(self, ready: Recorded) -> Recorded:
        early = min(self._early, len(ready))
        self._early -= early
        return ready[early:]

    @abstractmethod
    def _receive(self, envelope: Block) -> Recorded: ...

    @abstractmethod
    def _rest(self) -> Recorded: ...


class IqReceiver(Receiver):
    """A receiver that records I and Q."""

    def __init__(self, channel: ChannelDesign, rate_hz: int, random: np.random.Generator) -> None:
        super().__init__(Rates(rate_hz, rate_hz))
        self._band = SimulatedBand(channel, self.rates, random)
        self._image = channel.imbalance_pct / 100.0

    def _receive(self, envelope: Block) -> Complex:
        return self._unbalanced(self._band.process(envelope))

    def _rest(self) -> Complex:
        return self._unbalanced(self._band.finish())

    def _unbalanced(self, band: Complex) -> Complex:
        return band + self._image * np.conj(band) if self._image else band


class IfReceiver(Receiver):
    """A receiver that records the carrier at a low intermediate frequency.

    Its filter lets through what lies between zero and half the sample rate, as much on one side
    of ``carrier_hz`` as on the other.
    """

    def __init__(
        self,
        channel: ChannelDesign,
        rate_hz: int,
        random: np.random.Generator,
        carrier_hz: float,
    ) -> None:
        room_hz = 2.0 * min(carrier_hz, rate_hz / 2.0 - carrier_hz)
        band_hz = WHOLE_HZ * math.floor(room_hz / WHOLE_HZ)
        if band_hz < NARROWEST_HZ:
            raise SettingError(
                f"the intermediate frequency is {carrier_hz:g} Hz; with this sample rate it must "
                f"be {NARROWEST_HZ / 2:g} to {(rate_hz - NARROWEST_HZ) / 2:g} Hz"
            )
        super().__init__(Rates(rate_hz, band_hz))
        self._band = SimulatedBand(channel, self.rates, random)
        self._up = ComplexResampler(band_hz, rate_hz)
        self._turns, self._next = carrier_hz / rate_hz, -self.rates.settling

    def _receive(self, envelope: Block) -> Block:
        return self._mixed(self._up.process(self._band.process(envelope)))

    def _rest(self) -> Block:
        rest = [self._up.process(self._band.finish()), self._up.finish()]
        return self._mixed(np.concatenate(rest))

    def _mixed(self, band: Complex) -> Block:
        n = np.arange(self._next, self._next + len(band), dtype=np.float64)
        self._next += len(band)
        angle = 2.0 * np.pi * np.fmod(n * self._turns, 1.0)
        return np.asarray(band.real * np.cos(angle) - band.imag * np.sin(angle))


class DetectorReceiver(Receiver):
    """A diode detector on a sound card; 1.0 is its DC for the unmodulated carrier."""

    def __init__(
        self,
        channel: ChannelDesign,
        rate_hz: int,
        random: np.random.Generator,
        detector: DetectorDesign,
    ) -> None:
        super().__init__(Rates(rate_hz, rate_hz))
        fine_hz, width_hz = self.rates.fine_hz, channel.noise_bandwidth_hz
        self._channel = SimulatedChannel(channel, fine_hz, -self.rates.settling_fine)
        self._is_disturbed = bool(channel.second_ray or channel.neighbour)
        rms = channel.noise_rms(width_hz)
        self._noise = BandNoise(rms, width_hz, fine_hz, random) if rms else None
        self._detector = SimulatedDetector(detector, fine_hz)
        self._down = Resampler(fine_hz, rate_hz)

    def _receive(self, envelope: Block) -> Block:
        return self._down.process(self._detector.process(self._heard(envelope)))

    def _rest(self) -> Block:
        return self._down.finish()

    def _heard(self, envelope: Block) -> Block:
        """Return the magnitude of all that reaches the diode."""
        if self._noise is None and not self._is_disturbed:
            return envelope
        received = self._channel.process(envelope)
        if self._noise is not None:
            received += self._noise.take(len(envelope))
        return np.abs(received)
