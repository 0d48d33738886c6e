"""What a simulated transmitter really does: read from its envelope before any receiver."""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter
from carrierfloor.dsp.modulation import CUT_OFF, ModulationMeter, ModulationReading
from carrierfloor.dsp.stage import Block


@dataclass(frozen=True)
class Truth:
    """The modulation of a simulated recording; times are those of the recording."""

    whole: ModulationReading  # peaks and cut-offs, of all of it
    audio: ModulationReading  # means, while the audio lasts
    speech: ActiveSpeech  # of the envelope less the carrier, while the audio lasts
    wanted_negative_peak: float  # if the final could follow below zero
    floor: float  # where a diode holds the envelope

    @property
    def negative_peak(self) -> float:
        """Depth of the deepest trough of the envelope, 1.0 at cut-off."""
        return min(1.0 - self.floor, self.whole.negative_peak)


class TruthMeter:
    """Measure the envelope of a simulated transmitter, in constant memory.

    Parameters
    ----------
    rate_hz : float
        Of the envelope: so high that the carrier's corners are seen where they are.
    floor : float
        Where a diode holds the envelope; at 0.0 the carrier is cut off.
    audio_begins : int
        Number of the sample where the audio begins; the recording begins with number 0.
    """

    def __init__(self, rate_hz: float, floor: float, audio_begins: int) -> None:
        self._floor = floor
        self._audio_begins, self._next = audio_begins, 0
        self._whole = ModulationMeter(0.0, rate_hz)
        self._audio = ModulationMeter(audio_begins / rate_hz, rate_hz)
        self._speech = ActiveSpeechMeter(rate_hz)
        self._lowest = 0.0

    def feed(self, wanted: Block, envelope: Block, audio_ends: int) -> None:
        """Take the next samples, shape (n,).

        Parameters
        ----------
        wanted, envelope : ndarray, shape (n,)
            Of the modulator.
        audio_ends : int
            Number of the sample where the audio ends, as far as it is known.
        """
        # Below zero the meter wants to see where m goes on: so it finds the moment of cut-off.
        seen = np.maximum(wanted, self._floor + CUT_OFF) if self._floor else wanted
        self._whole.feed(seen)
        self._lowest = min(self._lowest, float(wanted.min(initial=0.0)))
        first, last = self._audio_begins - self._next, audio_ends - self._next
        during = slice(max(0, first), max(0, last))
        self._audio.feed(seen[during])
        self._speech.feed(envelope[during] - 1.0)
        self._next += len(wanted)

    def read(self) -> Truth:
        """Return the readings of all that was fed."""
        whole = self._whole.read()
        return Truth(
            whole=whole,
            audio=self._audio.read(),
            speech=self._speech.read(),
            wanted_negative_peak=-self._lowest if self._floor else whole.negative_peak,
            floor=self._floor,
        )
