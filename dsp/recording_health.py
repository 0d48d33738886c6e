"""Samples of a recording as they come: what is not finite becomes 0, what is clipped is counted."""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.entry import LARGEST_SAMPLE
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

Frames = NDArray[np.float64]  # shape (n, channels), 1.0 = full scale

FEWEST_CLIPPED = 10  # a signal that just reaches full scale does so now and then
SAME = 1e-6  # power of the difference of two channels over theirs: they are the same
# Two channels of one signal: their difference over theirs, and what only one of them holds.
MOST_UNEQUAL, MOST_OF_ONE = 0.1, 1e-3
FAINT = 1e-3  # power of a channel over the other's: nothing is connected to it
FLOAT_HIGHEST = 1.0 - 1e-6  # where a float recording made from integers ends
SILENT_DB = -120.0  # below full scale: nothing but rounding

# Slots of the state.
NONFINITE, CLIPPED, FIRST_CLIPPED, FRAMES_SEEN, PEAK = range(5)  # FIRST_CLIPPED: a frame, or -1
FIRST_ENERGY, SECOND_ENERGY, DIFFERENCE = 5, 6, 7  # of the first two channels
SLOTS = 8


def as_iq(frames: Frames) -> NDArray[np.complex128]:
    """Return frames of two channels, I and Q, as complex samples."""
    return np.ascontiguousarray(frames, np.float64).view(np.complex128)[:, 0]


class RecordingHealth:
    """Watch a recording.

    Parameters
    ----------
    highest : float
        The magnitude from which a sample counts as clipped; infinite for floats, which are clipped
        only if full scale occurs often and nothing lies beyond.
    """

    def __init__(self, highest: float) -> None:
        self._highest = min(highest, FLOAT_HIGHEST)
        self._goes_on = math.isinf(highest)
        self._state = np.zeros(SLOTS)
        self._state[FIRST_CLIPPED] = -1.0

    @property
    def nonfinite_samples(self) -> int:
        """Samples so far that were infinite or no number, in all channels."""
        return int(self._state[NONFINITE])

    @property
    def clipped_samples(self) -> int:
        """Samples so far at full scale, in all channels."""
        return int(self._state[CLIPPED])

    def process(self, frames: Frames) -> Frames:
        """Take the next frames, shape (n, channels); return them, made finite in place."""
        _watch_frames(frames, self._highest, self._state)
        return frames

    def check(self, sample_rate_hz: float) -> None:
        """Refuse a recording that is silent or clipped.

        Raises
        ------
        AudioError
            Says how much of it, and since when.
        """
        if self._state[PEAK] < 10.0 ** (SILENT_DB / 20.0):
            raise AudioError("is silent")
        beyond = self._goes_on and self._state[PEAK] > 2.0 - FLOAT_HIGHEST
        if self.clipped_samples >= FEWEST_CLIPPED and not beyond:
            first_s = self._state[FIRST_CLIPPED] / sample_rate_hz
            raise AudioError(
                f"{self.clipped_samples} samples are at full scale, the first at {first_s:.2f} s: "
                "the recording is clipped; record again with less gain"
            )

    def check_pair(self) -> None:
        """Refuse two channels that are not I and Q.

        Raises
        ------
        AudioError
            If one of them is silent or both are the same.
        """
        energy = self._state[FIRST_ENERGY : SECOND_ENERGY + 1]
        total = float(energy.sum())
        if float(energy.min()) < SAME * total:
            number = int(np.argmin(energy)) + 1
            raise AudioError(f"channel {number} is silent, so this is no IQ recording")
        if self._state[DIFFERENCE] < SAME * total:
            raise AudioError("both channels are the same, so this is no IQ recording")

    def check_alike(self) -> None:
        """Refuse two channels that are not one signal, and so must not be mixed.

        Raises
        ------
        AudioError
            If one of them holds next to nothing, or they differ by more than their noise.
        """
        energy = self._state[FIRST_ENERGY : SECOND_ENERGY + 1]
        total, product = float(energy.sum()), float(energy.prod())
        if float(energy.min()) < FAINT * float(energy.max()):
            raise AudioError(f"channel {int(np.argmin(energy)) + 1} holds next to nothing")
        if not product:
            return
        common = 0.5 * (total - float(self._state[DIFFERENCE]))  # sum of their products
        of_one = float(energy.min()) / float(energy.max()) * (1.0 - common**2 / product)
        if of_one > MOST_OF_ONE or self._state[DIFFERENCE] > MOST_UNEQUAL * total:
            raise AudioError("its two channels are not one signal")


@kernel
def _watch_frames(frames: Frames, highest: float, state: Block) -> None:
    """Look at every sample once."""
    for i in range(frames.shape[0]):
        for channel in range(frames.shape[1]):
            value = frames[i, channel]
            if not abs(value) <= LARGEST_SAMPLE:  # no number either
                if math.isfinite(value):
                    value = LARGEST_SAMPLE if value > 0.0 else -LARGEST_SAMPLE
                else:
                    value = 0.0
                    state[NONFINITE] += 1.0
                frames[i, channel] = value
            if abs(value) >= highest:
                state[CLIPPED] += 1.0
                if state[FIRST_CLIPPED] < 0.0:
                    state[FIRST_CLIPPED] = state[FRAMES_SEEN] + i
            state[PEAK] = max(state[PEAK], abs(value))
        if frames.shape[1] == 2:
            one, other = frames[i, 0], frames[i, 1]
            state[FIRST_ENERGY] += one * one
            state[SECOND_ENERGY] += other * other
            state[DIFFERENCE] += (one - other) * (one - other)
    state[FRAMES_SEEN] += frames.shape[0]
