"""Finding the frequency of the loudest steady tone in a stream."""

import numpy as np

from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.tone_lines import HIGHEST_HZ, LOWEST_HZ

STRETCH_S = 0.5


class ToneSearch:
    """Look at a stream in stretches of half a second and remember the loudest tone."""

    def __init__(self, sample_rate_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self._length = round(STRETCH_S * sample_rate_hz)
        self._waiting = np.zeros(0)
        self._loudest, self._frequency_hz = 0.0, 0.0

    def feed(self, block: Block) -> None:
        """Take the next samples, shape (n,)."""
        self._waiting = np.concatenate([self._waiting, block])
        while len(self._waiting) >= self._length:
            self._look(self._waiting[: self._length])
            self._waiting = self._waiting[self._length :]

    def _look(self, stretch: Block) -> None:
        line = find_carrier(stretch, self._rate_hz, LOWEST_HZ, HIGHEST_HZ)
        if line is not None and line.amplitude > self._loudest:
            self._loudest, self._frequency_hz = line.amplitude, line.frequency_hz

    def frequency_hz(self) -> float:
        """Return the frequency of the loudest tone.

        Raises
        ------
        AudioError
            If there was none.
        """
        if not self._frequency_hz:
            raise AudioError(f"no tone between {LOWEST_HZ:g} and {HIGHEST_HZ:g} Hz is in it")
        return self._frequency_hz
