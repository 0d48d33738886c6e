"""Following the phase of a carrier through its modulation, and setting the signal upright by it.

The carrier is what is left of the signal when 0.1 s of it is averaged: speech and test tones have
nothing within 20 Hz of it, and the noise of so narrow a band is small.  The average is symmetric
in time, so a carrier that is off by a few hertz, or drifts, is followed without a lag.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

PIECE = 96  # samples that are averaged first: 2 ms
PIECES = 51  # under the window: 0.1 s, its first zero 19 Hz from the middle
HALF = PIECES // 2
WINDOW = np.hanning(PIECES + 2)[1:-1] / np.hanning(PIECES + 2).sum()
# Share of the power near the carrier that is the carrier itself: 2/3 for one tone of 100 %, 1 for
# silence, next to nothing for noise or a signal without a carrier.
LOCKED_SHARE = 0.3


@dataclass(frozen=True)
class Demodulated:
    """A stretch of demodulated signal at 48 kHz, all arrays of shape (n,)."""

    in_phase: Block  # along the carrier: carrier x (1 + m); noise is added to it, never folded
    quadrature: Block  # across it: what moves the carrier's phase
    locked: NDArray[np.bool_]  # whether there was a carrier to follow

    def __len__(self) -> int:
        return len(self.in_phase)

    @property
    def envelope(self) -> Block:
        """The magnitude, as a diode or a scope shows it."""
        return np.hypot(self.in_phase, self.quadrature)

    @classmethod
    def nothing(cls, samples: int) -> Self:
        """Return a stretch without a carrier."""
        return cls(np.zeros(samples), np.zeros(samples), np.zeros(samples, dtype=bool))

    @classmethod
    def joined(cls, parts: "list[Demodulated]") -> Self:
        """Return stretches one after another."""
        if not parts:
            return cls.nothing(0)
        return cls(
            np.concatenate([part.in_phase for part in parts]),
            np.concatenate([part.quadrature for part in parts]),
            np.concatenate([part.locked for part in parts]),
        )

    def __getitem__(self, wanted: slice) -> "Demodulated":
        return Demodulated(self.in_phase[wanted], self.quadrature[wanted], self.locked[wanted])


class CarrierPhase:
    """Turn a signal near zero frequency so that its carrier is real and positive.

    What comes out is as long as what went in, after :meth:`finish`.

    Attributes
    ----------
    is_locked : bool
        Whether there is a carrier at the newest place looked at.
    residual_hz : float
        Its frequency there.
    position : float
        That place, in samples from the beginning.
    """

    def __init__(self) -> None:
        self._signal = np.zeros(0, dtype=np.complex128)  # not yet given back
        self._means = np.zeros(HALF, dtype=np.complex128)  # of pieces, silence to begin with
        self._powers = np.zeros(HALF)
        self._phases = np.zeros(0)  # unwrapped, of the pieces not yet given back
        self._lock = np.zeros(0, dtype=bool)
        self._unsummed, self._pieces_seen = 0, 0
        self._last_phase: float | None = None
        self._edge_phase: float | None = None  # of the piece given back last
        self.is_locked, self.residual_hz, self.position = False, 0.0, 0.0

    def process(self, signal: Complex) -> Demodulated:
        """Take the next samples, shape (n,); return those that are ready."""
        self._signal = np.concatenate([self._signal, signal])
        self._sum_pieces()
        self._follow()
        return self._give(len(self._phases) - 1)

    def finish(self) -> Demodulated:
        """Return the rest."""
        missing = -len(self._signal) % PIECE
        rest = len(self._signal)
        parts = [self.process(np.zeros(missing, dtype=np.complex128))]
        self._means = np.concatenate([self._means, np.zeros(HALF)])
        self._powers = np.concatenate([self._powers, np.zeros(HALF)])
        self._follow()
        parts.append(self._give(len(self._phases)))
        return Demodulated.joined(parts)[:rest]

    def _sum_pieces(self) -> None:
        whole = (len(self._signal) - self._unsummed) // PIECE
        fresh = self._signal[self._unsummed : self._unsummed + whole * PIECE].reshape(-1, PIECE)
        self._unsummed += whole * PIECE
        self._means = np.concatenate([self._means, fresh.mean(axis=1)])
        power = np.square(fresh.real) + np.square(fresh.imag)
        self._powers = np.concatenate([self._powers, power.mean(axis=1)])

    def _follow(self) -> None:
        """Find the phase of every piece that has enough neighbours."""
        if len(self._means) < PIECES:
            return
        carrier = np.convolve(self._means, WINDOW, "valid")
        power = np.convolve(self._powers, WINDOW, "valid")
        kept = PIECES - 1
        self._means, self._powers = self._means[-kept:], self._powers[-kept:]
        if self._last_phase is None:
            self._last_phase = float(np.angle(carrier[0]))
        steps = np.diff(np.angle(carrier), prepend=self._last_phase)
        steps = np.remainder(steps + np.pi, 2.0 * np.pi) - np.pi
        phases = self._last_phase + np.cumsum(steps)
        lock = np.square(np.abs(carrier)) > LOCKED_SHARE * power
        self._look(steps, lock)
        self._last_phase = float(phases[-1])
        self._phases = np.concatenate([self._phases, phases])
        self._lock = np.concatenate([self._lock, lock])

    def _look(self, steps: Block, lock: NDArray[np.bool_]) -> None:
        self._pieces_seen += len(steps)
        self.position = (self._pieces_seen - len(steps) / 2) * PIECE
        self.is_locked = bool(lock.all())
        self.residual_hz = float(steps.mean()) / (2.0 * np.pi) * SAMPLE_RATE_HZ / PIECE

    def _give(self, pieces: int) -> Demodulated:
        """Turn and return so many pieces; the phase in between runs straight."""
        if pieces <= 0:
            return Demodulated.nothing(0)
        before = self._phases[0] if self._edge_phase is None else self._edge_phase
        known = np.concatenate([[before], self._phases[: pieces + 1]])
        middles = (np.arange(len(known)) - 0.5) * PIECE - 0.5
        n = np.arange(pieces * PIECE)
        phase = np.interp(n, middles, known)
        upright = self._signal[: len(n)] * np.exp(-1j * phase)
        ready = Demodulated(upright.real, upright.imag, np.repeat(self._lock[:pieces], PIECE))
        self._edge_phase = float(self._phases[pieces - 1])
        self._signal, self._unsummed = self._signal[len(n) :], self._unsummed - len(n)
        self._phases, self._lock = self._phases[pieces:], self._lock[pieces:]
        return ready
