"""A mixer: shift a recording down by a frequency that follows the carrier, its phase unbroken."""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

Complex = NDArray[np.complex128]

EXACT_EVERY = 64  # samples from one exact sine and cosine to the next; in between they are turned
FRAMES_KEPT = 64  # whose frequencies can be asked for afterwards


class Mixer:
    """Multiply a stream by exp(-j phase) of an oscillator.

    Parameters
    ----------
    sample_rate_hz : float
        Of the stream.
    frequency_hz : float
        Of the oscillator to begin with.
    """

    def __init__(self, sample_rate_hz: float, frequency_hz: float) -> None:
        self._rate_hz = sample_rate_hz
        self.frequency_hz = frequency_hz  # at the end of the last frame
        self._turns = 0.0  # phase of the next sample
        self._position = 0  # of the next sample
        self._history: list[tuple[int, float]] = [(0, frequency_hz)]

    def jump(self, frequency_hz: float) -> None:
        """Go on with another frequency at once; the phase stays unbroken."""
        self.frequency_hz = frequency_hz
        self._history.append((self._position, frequency_hz))

    def process(self, frame: Block | Complex, frequency_hz: float) -> Complex:
        """Mix the next frame while the frequency glides to another.

        Parameters
        ----------
        frame : ndarray, shape (n,)
            Real or complex.
        frequency_hz : float
            At the frame's end.

        Returns
        -------
        ndarray, shape (n,)
            Of a real stream only half the amplitude comes down; the other half lies at minus
            twice the frequency.
        """
        n = len(frame)
        mixed = np.empty(n, dtype=np.complex128)
        first = self.frequency_hz / self._rate_hz  # turns a sample
        glide = (frequency_hz - self.frequency_hz) / self._rate_hz / max(n, 1)
        _mix(np.asarray(frame, dtype=np.complex128), self._turns, first, glide, mixed)
        self._turns = math.fmod(self._turns + n * first + 0.5 * n * n * glide, 1.0)
        self._position += n
        self.frequency_hz = frequency_hz
        self._history = [*self._history[1 - FRAMES_KEPT :], (self._position, frequency_hz)]
        return mixed

    def frequencies_at(self, positions: Block) -> Block:
        """Return the oscillator's frequency at samples of the last frames."""
        places, frequencies_hz = zip(*self._history, strict=True)
        return np.asarray(np.interp(positions, places, frequencies_hz))


@kernel
def _mix(frame: Complex, turns: float, first: float, glide: float, mixed: Complex) -> None:
    """Turn two phasors from sample to sample: the oscillator, and the angle it turns by."""
    two_pi = 2.0 * math.pi
    twist = complex(math.cos(two_pi * glide), -math.sin(two_pi * glide))
    for start in range(0, frame.shape[0], EXACT_EVERY):
        phase = two_pi * ((turns + start * first + 0.5 * start * start * glide) % 1.0)
        angle = two_pi * (first + (start + 0.5) * glide)
        now = complex(math.cos(phase), -math.sin(phase))
        turn = complex(math.cos(angle), -math.sin(angle))
        piece, out = frame[start : start + EXACT_EVERY], mixed[start : start + EXACT_EVERY]
        for i in range(piece.shape[0]):
            out[i] = piece[i] * now
            now *= turn
            turn *= twist
