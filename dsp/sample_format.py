"""Sample formats: from float64 to what a sound file holds, with the largest error each adds."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import Block

# libsndfile's names of the formats that keep a waveform, with the bits of the integer ones.
INTEGER_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
FLOATS = ("FLOAT", "DOUBLE")
Stored = NDArray[np.int32] | NDArray[np.float32] | NDArray[np.float64]
LOSSLESS = (*INTEGER_BITS, *FLOATS)

DITHERED_BITS = 16  # and below; finer steps lie under any room noise (common practice, no source)
DITHER_SEED = 1  # fixed, so that the same input gives the same file


@dataclass(frozen=True, kw_only=True)
class SampleFormat:
    """How one sample is stored.

    Parameters
    ----------
    name : str
        libsndfile's name of the sample type, one of ``LOSSLESS``.
    """

    name: str

    def __post_init__(self) -> None:
        if self.name not in LOSSLESS:
            raise SettingError(
                f"sample type {self.name} is not allowed: its errors would break the limits at "
                f"the antenna; use one of {', '.join(LOSSLESS)}"
            )

    @property
    def bits(self) -> int:
        """Bits of an integer sample; 0 for a float."""
        return INTEGER_BITS.get(self.name, 0)

    @property
    def bytes(self) -> int:
        """Bytes of a stored sample."""
        return {"FLOAT": 4, "DOUBLE": 8}.get(self.name, self.bits // 8)

    @property
    def dithered(self) -> bool:
        """Whether triangular dither is added before rounding."""
        return 0 < self.bits <= DITHERED_BITS

    @property
    def largest_error(self) -> float:
        """Largest difference between a sample and its stored value, 1.0 = full scale.

        Rounding adds half a step, triangular dither (the sum of two uniform random numbers of one
        step each: S. Lipshitz, R. Wannamaker and J. Vanderkooy, "Quantization and dither: a
        theoretical survey", J. Audio Eng. Soc. 40, 1992) up to one step.  A 32-bit float between
        1 and 2 is off by half of 2**-23.
        """
        if not self.bits:
            return 2.0**-24 if self.name == "FLOAT" else 0.0
        return (1.5 if self.dithered else 0.5) / 2.0 ** (self.bits - 1)


class Quantiser:
    """Turn a stream of float64 samples into stored ones.

    Parameters
    ----------
    sample_format : SampleFormat
        How a sample is stored.
    dither : bool
        False: round only, as the converter of a receiver does.

    Attributes
    ----------
    clipped_samples : int
        Samples beyond full scale so far; they are stored as full scale.
    """

    def __init__(self, sample_format: SampleFormat, *, dither: bool = True) -> None:
        self.format = sample_format
        self._dithered = sample_format.dithered and dither
        self.clipped_samples = 0
        self._random = np.random.default_rng(DITHER_SEED)

    def process(self, block: Block) -> Stored:
        """Store the next samples.

        Parameters
        ----------
        block : ndarray, shape (n,), or (n, channels) without dither
            Audio, 1.0 is full scale.

        Returns
        -------
        ndarray, of the same shape
            float32 or float64 for a float format, else int32 with the sample in the highest bits.
        """
        bits = self.format.bits
        if not bits:
            return block.astype(np.float32) if self.format.name == "FLOAT" else block
        full_scale = 2 ** (bits - 1)
        steps = block * full_scale
        if self._dithered:
            pairs = self._random.random((len(block), 2))  # in the order of the samples
            steps += pairs[:, 0] - pairs[:, 1]
        steps = np.rint(steps)
        self.clipped_samples += int(
            np.count_nonzero((steps < -full_scale) | (steps > full_scale - 1))
        )
        np.clip(steps, -full_scale, full_scale - 1, out=steps)
        steps *= 2 ** (32 - bits)
        return np.asarray(steps, dtype=np.int32)

    def value(self, stored: Stored) -> Block:
        """Return what a player makes of stored samples, 1.0 = full scale."""
        scale = 2.0**-31 if self.format.bits else 1.0
        return scale * np.asarray(stored, dtype=np.float64)
