"""What the transmitter makes of the sound card's samples: m(t) at the antenna.

The *analogue* path is applied as it is, as a multiplication in the frequency domain (overlap and
save; A. V. Oppenheim and R. W. Schafer, "Digital Signal Processing", 1975, section 3.8), with a
transform so long that the slowest section has rung out inside it.  The predictive limiter uses
recursive sections fitted to the same response; this is the second way that checks it.
"""

import math

import numpy as np

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

FLAT = Path(name="DC-coupled, flat")  # the path of a rig that lists none
RING_NEPERS = 16.0  # followed until it has decayed to exp(-16), 1e-7
SHORTEST_TRANSFORM = 2**16
LONGEST_TRANSFORM = 2**22  # a section that rings longer than 40 s is cut short
BEFORE = 2048  # samples allowed for the precursors of the converter's filter
# A converter passes nothing at half its sample rate: a raised cosine from here up to there.
CONVERTER_HZ = 21_000.0


def paths_of(rig: Rig) -> tuple[Path, ...]:
    """Return the paths of a rig, a flat one if it lists none."""
    return rig.paths or (FLAT,)


def ring_samples(path: Path) -> int:
    """Return how long a path rings until it is 140 dB down, in samples at 48 kHz."""
    decays = [
        -float(np.roots(denominator).real.max())
        for denominator in (section.analogue()[1] for section in path.sections)
    ]
    return math.ceil(RING_NEPERS / min(decays) * SAMPLE_RATE_HZ) if decays else 0


class Antenna:
    """A stream of sound-card samples in, the modulation at the antenna out.

    Output sample n belongs to input sample n, however late it comes; after :meth:`finish` there
    are as many as went in, and the tail asked for.

    Parameters
    ----------
    path : Path
        The transmitter's analogue audio path.
    sample_at_full_modulation : float
        The sample value, with sign, that makes +100 % at 1 kHz.
    """

    def __init__(self, path: Path, sample_at_full_modulation: float = 1.0) -> None:
        ring = ring_samples(path) + BEFORE
        size = SHORTEST_TRANSFORM
        while size < min(4 * ring, LONGEST_TRANSFORM):
            size *= 2
        self._history = min(ring, size // 2)
        self._step = size - self._history - BEFORE
        frequency_hz = np.linspace(0.0, SAMPLE_RATE_HZ / 2, size // 2 + 1)
        self._response = path.response(frequency_hz) * _converter(frequency_hz)
        self._response /= sample_at_full_modulation
        self.reset()

    def reset(self) -> None:
        """Forget all past input."""
        # `history` samples of the past, then what is new, up to `step` + BEFORE
        self._waiting = [np.zeros(self._history)]
        self._new = 0

    def process(self, block: Block) -> Block:
        """Take the next card samples, shape (n,); return the modulation that is ready."""
        self._waiting.append(np.asarray(block, dtype=np.float64))
        self._new += len(block)
        return self._take()

    def finish(self, tail_samples: int = 0) -> Block:
        """Return the rest and ``tail_samples`` of the silence after it."""
        rest = self._new + tail_samples
        padding = -rest % self._step + BEFORE + self._step
        self._waiting.append(np.zeros(tail_samples + padding))
        self._new += tail_samples + padding
        modulation = self._take()[:rest]
        self.reset()
        return modulation

    def _take(self) -> Block:
        """Transform as many steps as are complete, with BEFORE samples in hand after them."""
        if self._new < self._step + BEFORE:
            return np.zeros(0)
        joined = np.concatenate(self._waiting)
        ready = []
        while self._new >= self._step + BEFORE:
            piece = joined[: self._history + self._step + BEFORE]
            seen = np.fft.irfft(np.fft.rfft(piece) * self._response, len(piece))
            ready.append(seen[self._history : self._history + self._step])
            joined = joined[self._step :]
            self._new -= self._step
        self._waiting = [joined.copy()]
        return np.concatenate(ready)


def _converter(frequency_hz: Block) -> Block:
    """Return the gain of the sound card's reconstruction filter."""
    above = np.clip((frequency_hz - CONVERTER_HZ) / (SAMPLE_RATE_HZ / 2 - CONVERTER_HZ), 0.0, 1.0)
    return 0.5 + 0.5 * np.cos(np.pi * above)
