"""Bring the voices of a live desk to one loudness while somebody speaks into it.

What is compared is the mean energy behind each voice, ahead of faders and limiter, over the same
hops, in which there is speech.
"""

import math
from collections.abc import Sequence

import numpy as np

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block

HOP_S = HOP / SAMPLE_RATE_HZ
MEAN_HOPS = round(5.0 / HOP_S)  # time constant of the mean, in hops of speech
ENOUGH_HOPS = round(1.0 / HOP_S)  # of speech, before a voice is matched
SPEECH_RANGE = 10.0 ** (-30.0 / 10.0)  # of energy: what is weaker, re the loudest, is a pause
# The loudest is forgotten so slowly that minutes of pause are still pause.
FORGETTING = 10.0 ** (-0.1 * HOP_S / 10.0)  # of energy, in a hop: 0.1 dB/s
LEAST_GAIN_DB = -30.0


class LevelMatch:
    """Find the gains that make the voices equally loud; none is made louder."""

    def __init__(self) -> None:
        self._loudest = 0.0
        self._means = np.zeros(at.SLOTS)
        self._counts = np.zeros(at.SLOTS, dtype=np.int64)
        self._slots: tuple[int, ...] = ()

    def feed(self, readings: Block, slots: Sequence[int]) -> None:
        """Take the next readings.

        Parameters
        ----------
        readings : ndarray, shape (hops, desk_layout.READING)
            Of a :class:`carrierfloor.dsp.desk_reader.Stretch`.
        slots : sequence of int
            The slots of the voices in use.  One that is no longer among them is forgotten: what
            comes into it is another voice, and is followed from then on.
        """
        self._counts[[slot for slot in self._slots if slot not in slots]] = 0
        self._slots = tuple(slots)
        for energies in self._spoken(readings)[:, at.SLOT_ENERGY : at.READING]:
            sounds = energies > 0.0  # an empty slot does not
            self._counts += sounds
            share = sounds / np.clip(self._counts, 1, MEAN_HOPS)
            self._means += (energies - self._means) * share

    def gains_db(self) -> dict[int, float]:
        """Return the gain of each slot in use: never over 0 dB, -30 dB at least.

        A voice of which too little was heard has 0 dB and is not compared.
        """
        heard = [slot for slot in self._slots if self._counts[slot] >= ENOUGH_HOPS]
        quietest = min((float(self._means[slot]) for slot in heard), default=0.0)
        gains = dict.fromkeys(self._slots, 0.0)
        for slot in heard:
            gain_db = 10.0 * math.log10(quietest / float(self._means[slot]))
            gains[slot] = max(gain_db, LEAST_GAIN_DB)
        return gains

    def _spoken(self, readings: Block) -> Block:
        """Leave out the pauses."""
        spoken = np.zeros(len(readings), dtype=bool)
        for hop, energy in enumerate(readings[:, at.INPUT_ENERGY].tolist()):
            self._loudest = max(self._loudest * FORGETTING, energy)
            spoken[hop] = energy > self._loudest * SPEECH_RANGE
        return readings[spoken]
