"""A decimator: keep every R-th sample of a complex stream, after a flat linear-phase low-pass.

The filter only removes what would fold onto the wanted band; its window and length follow
J. F. Kaiser, 1974 (see ``fir``).
"""

import numpy as np

from carrierfloor.dsp.fir import kaiser_low_pass, kaiser_taps
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import Block

STOP_DB = 90.0


class Decimator:
    """Keep every ``factor``-th sample; output k lies at the time of input k x factor.

    Parameters
    ----------
    factor : int
        1 passes everything unchanged.
    sample_rate_hz : float
        Of the input.
    pass_hz : float
        Up to here, on both sides of zero, the spectrum stays as it is to 1e-4.
    """

    def __init__(self, factor: int, sample_rate_hz: float, pass_hz: float) -> None:
        self.factor = factor
        if factor > 1:
            output_rate_hz = sample_rate_hz / factor
            folds_hz = output_rate_hz - pass_hz  # the lowest frequency that folds onto the band
            taps = kaiser_taps(folds_hz - pass_hz, STOP_DB, sample_rate_hz)
            half = factor * -(-(taps - 1) // (2 * factor))  # its delay is whole output samples
            self._taps = kaiser_low_pass(2 * half + 1, output_rate_hz / 2, STOP_DB, sample_rate_hz)
        else:
            self._taps = np.ones(1)
        # So much silence ahead of the first sample that the filter's middle lies on it first.
        self._waiting = np.zeros(len(self._taps) // 2, dtype=np.complex128)

    def process(self, block: Complex) -> Complex:
        """Take the next samples, shape (n,); return those that are ready."""
        if self.factor == 1:
            return block
        joined = np.concatenate([self._waiting, block])
        ready = max(0, (len(joined) - len(self._taps)) // self.factor + 1)
        kept = np.empty(ready, dtype=np.complex128)
        _decimate(self._taps, joined, self.factor, kept)
        self._waiting = joined[ready * self.factor :]
        return kept

    def finish(self) -> Complex:
        """Return the rest, as if silence followed."""
        return self.process(np.zeros(len(self._taps) // 2, dtype=np.complex128))


@kernel
def _decimate(taps: Block, samples: Complex, factor: int, kept: Complex) -> None:
    """Run the symmetric filter at every ``factor``-th place, the taps in pairs."""
    length = taps.shape[0]
    half = length // 2
    for k in range(kept.shape[0]):
        x = samples[k * factor : k * factor + length]
        total = taps[half] * x[half]
        for i in range(half):
            total += taps[i] * (x[i] + x[length - 1 - i])
        kept[k] = total
