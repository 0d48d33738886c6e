"""Modulation density of the last seconds: rms of m while somebody speaks."""

import numpy as np

from carrierfloor.dsp.activity import ActiveSpeechMeter
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

WINDOW_S = 5.0
EVERY_S = 0.5  # how often it is measured anew


class RunningDensity:
    """Measure the active level of the last ``WINDOW_S`` seconds of a stream at 48 kHz.

    Every ``EVERY_S`` seconds of the stream the window is measured as a recording of its own, ITU-T
    P.56 (12/2011) method B, so a pause in it does not count.  A window that holds no speech at
    all gives the level of what it does hold, the noise of the room.

    Attributes
    ----------
    density : float
        rms of m in active speech, 1.0 = 100 % modulation; 0 for silence.
    """

    def __init__(self) -> None:
        self.density = 0.0
        self._window = np.zeros(round(WINDOW_S * SAMPLE_RATE_HZ))
        self._filled = 0
        self._unread = 0

    def feed(self, modulation: Block) -> None:
        """Take the next samples of m, shape (n,)."""
        newest = modulation[-len(self._window) :]
        count = len(newest)
        if not count:
            return
        self._window[:-count] = self._window[count:]
        self._window[-count:] = newest
        self._filled = min(self._filled + count, len(self._window))
        self._unread += len(modulation)
        if self._unread >= round(EVERY_S * SAMPLE_RATE_HZ):
            self._unread = 0
            meter = ActiveSpeechMeter()
            meter.feed(self._window[-self._filled :])
            self.density = meter.read().active_rms
