"""Raw samples as programs for software-defined receivers write them, little-endian."""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True)
class RawFormat:
    """How one raw sample is stored."""

    stored: "np.dtype[Any]"
    middle: float  # the code of zero
    full_scale: float  # codes from there to 1.0

    @property
    def bytes(self) -> int:
        """Bytes of a sample."""
        return int(self.stored.itemsize)

    @property
    def highest(self) -> float:
        """The magnitude from which a sample counts as clipped; infinite for floats."""
        if self.stored.kind == "f":
            return math.inf
        codes = np.iinfo(self.stored)
        return float(codes.max - self.middle - 0.5) / self.full_scale


RAW_FORMATS = {
    # A receiver of 8 bits without sign has its zero between two codes.
    "u8": RawFormat(stored=np.dtype("u1"), middle=127.5, full_scale=127.5),
    "s8": RawFormat(stored=np.dtype("i1"), middle=0.0, full_scale=128.0),
    "s16": RawFormat(stored=np.dtype("<i2"), middle=0.0, full_scale=32_768.0),
    "f32": RawFormat(stored=np.dtype("<f4"), middle=0.0, full_scale=1.0),
}


def from_bytes(content: bytes, stored_as: RawFormat) -> NDArray[np.float64]:
    """Return samples, 1.0 = full scale, shape (n,); whole samples only."""
    with np.errstate(invalid="ignore"):  # bytes that are no floats may make any, NaN too
        codes = np.frombuffer(content, stored_as.stored).astype(np.float64)
    return np.asarray((codes - stored_as.middle) / stored_as.full_scale)


class RawQuantiser:
    """Store samples raw, rounded without dither as the converter of a receiver does.

    Parameters
    ----------
    stored_as : RawFormat
        How a sample is stored.

    Attributes
    ----------
    clipped_samples : int
        Samples beyond full scale so far; they are stored as the nearest code.
    """

    def __init__(self, stored_as: RawFormat) -> None:
        self.format = stored_as
        self.clipped_samples = 0

    def process(self, frames: NDArray[np.float64]) -> NDArray[Any]:
        """Store the next samples, 1.0 = full scale; return codes of the same shape."""
        stored = self.format.stored
        codes = frames * self.format.full_scale + self.format.middle
        if stored.kind != "f":
            limits = np.iinfo(stored)
            np.rint(codes, out=codes)
            beyond = (codes < limits.min) | (codes > limits.max)
            self.clipped_samples += int(np.count_nonzero(beyond))
            np.clip(codes, limits.min, limits.max, out=codes)
        return codes.astype(stored)
