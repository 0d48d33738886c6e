"""Samples of a recording as they come: what is not finite becomes 0, what is clipped is counted."""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.entry import LARGEST_SAMPLE
from carrierfloor.dsp.errors import AudioError

Frames = NDArray[np.float64]  # shape (n, channels), 1.0 = full scale

FEWEST_CLIPPED = 10  # a signal that just reaches full scale does so now and then
SAME = 1e-6  # power of the difference of two channels over theirs: they are the same
FLOAT_HIGHEST = 1.0 - 1e-6  # where a float recording made from integers ends
SILENT_DB = -120.0  # below full scale: nothing but rounding


def as_iq(frames: Frames) -> NDArray[np.complex128]:
    """Return frames of two channels, I and Q, as complex samples."""
    return np.asarray(frames[:, 0] + 1j * frames[:, 1])


class RecordingHealth:
    """Watch a recording.

    Parameters
    ----------
    highest : float
        The magnitude from which a sample counts as clipped; infinite for floats, which are clipped
        only if full scale occurs often and nothing lies beyond.

    Attributes
    ----------
    nonfinite_samples, clipped_samples : int
        So far, in all channels.
    """

    def __init__(self, highest: float) -> None:
        self._highest = min(highest, FLOAT_HIGHEST)
        self._goes_on = math.isinf(highest)
        self.nonfinite_samples = self.clipped_samples = 0
        self._first_clipped: int | None = None  # frame
        self._frames = 0
        self._energy = np.zeros(2)
        self._difference = self._peak = 0.0

    def process(self, frames: Frames) -> Frames:
        """Take the next frames, shape (n, channels); return them, finite."""
        good = np.isfinite(frames)
        self.nonfinite_samples += good.size - int(np.count_nonzero(good))
        clean = np.clip(np.where(good, frames, 0.0), -LARGEST_SAMPLE, LARGEST_SAMPLE)
        magnitude = np.abs(clean)
        self._peak = max(self._peak, float(magnitude.max(initial=0.0)))
        clipped = magnitude >= self._highest
        if clipped.any():
            self.clipped_samples += int(np.count_nonzero(clipped))
            if self._first_clipped is None:
                self._first_clipped = self._frames + int(np.argmax(clipped.any(axis=1)))
        if clean.shape[1] == 2:
            self._energy += np.square(clean).sum(axis=0)
            self._difference += float(np.square(clean[:, 0] - clean[:, 1]).sum())
        self._frames += len(clean)
        return np.asarray(clean)

    def check(self, sample_rate_hz: float) -> None:
        """Refuse a recording that is silent or clipped.

        Raises
        ------
        AudioError
            Says how much of it, and since when.
        """
        if self._peak < 10.0 ** (SILENT_DB / 20.0):
            raise AudioError("is silent")
        beyond = self._goes_on and self._peak > 2.0 - FLOAT_HIGHEST
        if self.clipped_samples >= FEWEST_CLIPPED and not beyond:
            assert self._first_clipped is not None
            raise AudioError(
                f"{self.clipped_samples} samples are at full scale, the first at "
                f"{self._first_clipped / sample_rate_hz:.2f} s: the recording is clipped; record "
                "again with less gain"
            )

    def check_pair(self) -> None:
        """Refuse two channels that are not I and Q.

        Raises
        ------
        AudioError
            If one of them is silent or both are the same.
        """
        total = float(self._energy.sum())
        if float(self._energy.min()) < SAME * total:
            number = int(np.argmin(self._energy)) + 1
            raise AudioError(f"channel {number} is silent, so this is no IQ recording")
        if self._difference < SAME * total:
            raise AudioError("both channels are the same, so this is no IQ recording")
