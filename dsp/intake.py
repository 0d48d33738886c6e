"""Intake: from the channels of a recording to one clean channel."""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.entry import LARGEST_SAMPLE
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import Block

CANCELLING_DB = 20.0  # a mix this far below its channels has lost them


def channel_index(choice: str, channels: int) -> int | None:
    """Return which channel a choice means, counted from 0; ``None`` means the mean of all.

    Parameters
    ----------
    choice : str
        ``mix``, ``left``, ``right`` or the channel's number, counted from 1.
    channels : int
        How many there are.

    Raises
    ------
    SettingError
        If the recording has no such channel.
    """
    if choice == "mix":
        return None
    number = {"left": 1, "right": 2}.get(choice, int(choice) if choice.isdecimal() else 0)
    if channels == 1 and choice in ("left", "right"):
        number = 1  # one channel is both
    if not 1 <= number <= channels:
        raise SettingError(f"channel is {choice!r}; it must be mix, left, right or 1 to {channels}")
    return number - 1


class Intake:
    """Choose or mix channels; a sample that is not a number, or infinite, becomes 0.

    Parameters
    ----------
    channels : int
        Channels of the recording.
    choice : str
        See :func:`channel_index`.

    Attributes
    ----------
    nonfinite_samples : int
        Samples so far that were not a number or infinite, in the channels used.
    """

    def __init__(self, channels: int, choice: str = "mix") -> None:
        self._index = channel_index(choice, channels)
        self._channel_energy = 0.0
        self._mixed_energy = 0.0
        self.nonfinite_samples = 0

    @property
    def cancels(self) -> bool:
        """Whether mixing removed most of the sound, as with channels of opposite polarity."""
        return bool(self._mixed_energy < 10.0 ** (-CANCELLING_DB / 10.0) * self._channel_energy)

    def process(self, frames: NDArray[np.float64]) -> Block:
        """Take the next frames, shape (n, channels); return as many samples, shape (n,)."""
        used = frames if self._index is None else frames[:, self._index : self._index + 1]
        good = np.isfinite(used)
        self.nonfinite_samples += good.size - int(np.count_nonzero(good))
        clean = np.clip(np.where(good, used, 0.0), -LARGEST_SAMPLE, LARGEST_SAMPLE)
        mono: Block = clean.mean(axis=1)
        self._channel_energy += float(np.square(clean).sum()) / clean.shape[1]
        self._mixed_energy += float(np.square(mono).sum())
        return mono
