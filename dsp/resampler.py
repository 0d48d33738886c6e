"""Change of sample rate for a stream, in step with its input."""

import numpy as np
import soxr

from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import Block

# soxr's best quality passes up to 0.913 of half the lower rate (measured: a tone at 0.9 comes
# back within 3e-7 between 48 kHz and 8, 16, 96 or 192 kHz, within 7e-4 for 44.1 kHz and parts).
PASSED_FRACTION = 0.9


def highest_passed_hz(sample_rate_hz: float) -> float:
    """Return the highest frequency that survives resampling to a rate."""
    return PASSED_FRACTION * sample_rate_hz / 2.0


class Resampler:
    """Resample blocks; output sample k lies at the time k / output rate of the input.

    Parameters
    ----------
    input_rate_hz, output_rate_hz : float
        Equal rates pass unchanged.
    """

    def __init__(self, input_rate_hz: float, output_rate_hz: float) -> None:
        self._stream = _stream(input_rate_hz, output_rate_hz, 1)

    def process(self, block: Block) -> Block:
        """Take the next samples, shape (n,); return those that are ready, any number."""
        if self._stream is None:
            return block
        return self._run(block, last=False)

    def finish(self) -> Block:
        """Return what is left after the last block."""
        if self._stream is None:
            return np.zeros(0)
        return self._run(np.zeros(0), last=True)

    def _run(self, block: Block, *, last: bool) -> Block:
        assert self._stream is not None
        ready: Block = self._stream.resample_chunk(np.ascontiguousarray(block), last=last)
        return ready


class ComplexResampler:
    """The same for complex samples.

    Parameters
    ----------
    input_rate_hz, output_rate_hz : float
        Equal rates pass unchanged.
    """

    def __init__(self, input_rate_hz: float, output_rate_hz: float) -> None:
        self._stream = _stream(input_rate_hz, output_rate_hz, 2)

    def process(self, block: Complex) -> Complex:
        """Take the next samples, shape (n,); return those that are ready, any number."""
        return block if self._stream is None else self._run(block, last=False)

    def finish(self) -> Complex:
        """Return what is left after the last block."""
        nothing = np.zeros(0, dtype=np.complex128)
        return nothing if self._stream is None else self._run(nothing, last=True)

    def _run(self, block: Complex, *, last: bool) -> Complex:
        assert self._stream is not None
        pairs = np.ascontiguousarray(block).view(np.float64).reshape(-1, 2)
        ready = np.ascontiguousarray(self._stream.resample_chunk(pairs, last=last))
        return np.asarray(ready.view(np.complex128)[:, 0])


def _stream(
    input_rate_hz: float, output_rate_hz: float, channels: int
) -> soxr.ResampleStream | None:
    if input_rate_hz == output_rate_hz:
        return None
    return soxr.ResampleStream(
        input_rate_hz, output_rate_hz, channels, dtype="float64", quality="VHQ"
    )
