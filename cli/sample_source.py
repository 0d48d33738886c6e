"""What all that yields samples block by block has in common: sound files and raw samples."""

from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError


class SampleSource(ABC):
    """A file of samples open for reading; use it in a ``with`` statement.

    Attributes
    ----------
    path : Path
        Of the file.
    sample_rate_hz, channels
        As in the file.
    frames_promised : int or None
        How many frames it says it holds, if it says so.
    frames_read : int
        How many have come out so far.
    """

    path: Path
    sample_rate_hz: float
    channels: int
    frames_promised: int | None
    frames_read = 0
    _file: Any

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    @property
    def duration_s(self) -> float:
        """Length of what was read so far."""
        return self.frames_read / self.sample_rate_hz

    @property
    def part_read(self) -> float:
        """How much of the file was read, 0 to 1; 0 where it does not say its length."""
        return min(1.0, self.frames_read / self.frames_promised) if self.frames_promised else 0.0

    def blocks(self) -> Iterator[NDArray[np.float64]]:
        """Yield all frames in blocks of shape (n, channels), 1.0 = full scale.

        Raises
        ------
        AudioError
            If the file is damaged or holds no samples.
        """
        while len(block := self._read()):
            self.frames_read += len(block)
            yield block
        if not self.frames_read:
            raise AudioError(f"{self.path}: holds no samples")

    @abstractmethod
    def _read(self) -> NDArray[np.float64]:
        """Return the next frames, shape (n, channels); none at the end."""
