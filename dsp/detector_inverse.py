"""From a diode detector's voltage back to the envelope, as far as it goes.

The model is that of simulated_detector.py, turned round:

* coupling y = s / (s + wc) v: undone down to a twentieth of its corner, below which an error of the
  recorded zero would grow without bound;
* capacitor: while it discharges, v = v0 exp(-t / RC), the envelope is hidden and all that is known
  is that it lies below; such stretches are marked, and a cubic through both flanks stands in;
* knee d = sqrt(e^2 + k^2) - k: e = sqrt(d^2 + 2 d k).
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

LEAK = 0.05  # of the coupling's corner: slower changes stay lost
HELD = 4096  # samples: no capacitor hides more at once
SLACK = 0.15  # of the fall from one sample to the next
NOISES = 4.0  # rms of the noise that such a fall may be off
FEWEST_FALLING = 2  # samples of a discharge
STEEPER = 2.0  # than at its ends: what may be hidden in between
FEW = 1e-6  # s: a shorter RC hides nothing


@dataclass(frozen=True, kw_only=True)
class DetectorModel:
    """A detector, as far as it is known.

    Parameters
    ----------
    carrier : float
        Recorded height of the unmodulated carrier above zero, with sign; 1.0 = full scale.
    knee : float
        k, 1.0 = unmodulated carrier.
    rc_s : float
        Time constant; 0: none.
    coupling_hz : float
        Corner of the sound card's coupling; 0: not undone.
    at_rest : float
        What is recorded for the unmodulated carrier: 0 behind an AC coupling.
    noise : float
        Rms of the recording's noise, 1.0 = unmodulated carrier.
    """

    carrier: float
    knee: float = 0.0
    rc_s: float = 0.0
    coupling_hz: float = 0.0
    at_rest: float = 0.0
    noise: float = 0.0

    @property
    def carrier_output(self) -> float:
        """What the diode makes of the unmodulated carrier."""
        return math.hypot(1.0, self.knee) - self.knee

    def envelope(self, voltage: Block) -> Block:
        """Return the envelope of voltages, both 1.0 for the unmodulated carrier.

        Noise may take the voltage below zero; it comes out below zero, too.
        """
        d = np.abs(voltage) * self.carrier_output
        return np.asarray(np.copysign(np.sqrt(d * d + 2.0 * d * self.knee), voltage))

    def voltage(self, envelope: Block) -> Block:
        """Return the voltage of envelopes, both 1.0 for the unmodulated carrier."""
        return np.asarray((np.hypot(envelope, self.knee) - self.knee) / self.carrier_output)


class DetectorInverse:
    """Turn a detector's recording at 48 kHz into envelopes, in a stream of blocks.

    What comes out is as long as what went in, after :meth:`finish`.

    Attributes
    ----------
    hidden_samples, hidden_troughs : int
        Of what the capacitor hid, so far.
    deepest_hidden : float
        Lowest envelope that stood in for a hidden one; 1.0 without any.
    deepest_hidden_top : float
        The capacitor's voltage there, turned into an envelope: it was no higher than this.
    hidden_bottom : float
        Lowest place that a hidden envelope reaches if it falls and rises no more than twice as
        steeply as at the ends of what is hidden.
    """

    def __init__(self, model: DetectorModel) -> None:
        self._model = model
        corner, leak = (2.0 * math.pi * hz / SAMPLE_RATE_HZ for hz in
                        (model.coupling_hz, LEAK * model.coupling_hz))  # fmt: skip
        # The discrete high-pass of the model: mean += learns (v - mean).
        self._learns, self._leaks = -math.expm1(-corner), math.exp(-leak)
        self._mean = np.zeros(1)
        keeps = math.exp(-1.0 / (model.rc_s * SAMPLE_RATE_HZ)) if model.rc_s > FEW else 0.0
        self._keeps = keeps
        self._waiting = np.zeros(0)
        self._edge = 0  # samples of what waits that were given already
        self.hidden_samples = self.hidden_troughs = 0
        self.deepest_hidden = self.deepest_hidden_top = self.hidden_bottom = 1.0

    def process(self, recorded: Block) -> tuple[Block, NDArray[np.bool_]]:
        """Take the next samples, shape (n,).

        Returns
        -------
        envelope : ndarray, shape (m,)
            What is ready, 1.0 = unmodulated carrier.
        hidden : ndarray of bool, shape (m,)
            Where it was hidden and a cubic stands in.
        """
        model = self._model
        coupled = (np.asarray(recorded, dtype=np.float64) - model.at_rest) / model.carrier
        voltage = np.empty(len(coupled))
        _uncouple(coupled, self._learns, self._leaks, self._mean, voltage)
        return self._give(1.0 + voltage, last=False)

    def finish(self) -> tuple[Block, NDArray[np.bool_]]:
        """Return the rest."""
        return self._give(np.zeros(0), last=True)

    def _give(self, voltage: Block, *, last: bool) -> tuple[Block, NDArray[np.bool_]]:
        self._waiting = np.concatenate([self._waiting, voltage])
        envelope = self._model.envelope(self._waiting)
        hidden = np.zeros(len(envelope), dtype=np.bool_)
        found = np.zeros(FOUND_SLOTS)
        found[LOWEST] = found[LOWEST_TOP] = found[BOTTOM] = 1.0
        until = len(self._waiting) if last else max(self._edge, len(self._waiting) - HELD)
        if self._keeps > 0.0:
            noise = NOISES * self._model.noise
            _unhide(self._waiting, self._keeps, noise, self._edge, until, envelope, hidden, found)
            until = max(until, int(found[END])) if not last else until
        ready = envelope[self._edge : until], hidden[self._edge : until]
        self._count(found)
        kept = max(0, until - 8)  # flanks of what follows
        self._waiting, self._edge = self._waiting[kept:], until - kept
        return ready

    def _count(self, found: Block) -> None:
        self.hidden_samples += int(found[SAMPLES])
        self.hidden_troughs += int(found[TROUGHS])
        self.hidden_bottom = min(self.hidden_bottom, float(found[BOTTOM]))
        if found[LOWEST] < self.deepest_hidden:
            self.deepest_hidden = float(found[LOWEST])
            self.deepest_hidden_top = float(found[LOWEST_TOP])


# Slots of what was found: where the last run ended, counts, the deepest.
END, SAMPLES, TROUGHS, LOWEST, LOWEST_TOP, BOTTOM, FOUND_SLOTS = 0, 1, 2, 3, 4, 5, 6


@kernel
def _uncouple(coupled: Block, learns: float, leaks: float, state: Block, voltage: Block) -> None:
    """Add to y what the coupling took away: mean += learns y, leaking slowly."""
    mean = state[0]
    for i in range(coupled.shape[0]):
        voltage[i] = coupled[i] + mean
        mean = leaks * mean + learns * coupled[i]
    state[0] = mean


@kernel
def _unhide(
    v: Block,
    keeps: float,
    noise: float,
    first: int,
    until: int,
    e: Block,
    hidden: NDArray[np.bool_],
    found: Block,
) -> None:
    """Find discharges that begin from ``first`` up to ``until``; put a cubic into each."""
    i = max(first, 3)
    fall = 1.0 - keeps
    n = v.shape[0]
    while i < min(until, n - 4):
        j = i
        while j < n - 4 and v[j] > 0.0 and v[j + 1] <= v[j] * (keeps + SLACK * fall) + noise * fall:
            j += 1
        if j - i < FEWEST_FALLING:
            i = j + 1
            continue
        # The diode conducted up to i and does so again behind j, where the voltage turns up.
        left, right = i, j + 1
        width = float(right - left)
        left_slope = (e[left] - e[left - 2]) * 0.5
        right_slope = (e[right + 2] - e[right]) * 0.5
        top, lowest = e[j], e[j]
        for k in range(left + 1, right):
            t = (k - left) / width
            cubic = (
                e[left] * (1.0 + 2.0 * t) * (1.0 - t) ** 2
                + left_slope * width * t * (1.0 - t) ** 2
                + e[right] * t * t * (3.0 - 2.0 * t)
                - right_slope * width * t * t * (1.0 - t)
            )
            e[k] = max(0.0, min(e[k], cubic))
            hidden[k] = True
            lowest = min(lowest, e[k])
        if right_slope > left_slope:
            down, up = STEEPER * min(left_slope, 0.0), STEEPER * max(right_slope, 0.0)
            meet = (e[left] - e[right] + up * width) / max(up - down, 1e-12)
            meet = min(max(meet, 0.0), width)
            found[BOTTOM] = min(found[BOTTOM], max(0.0, e[left] + down * meet))
        found[END] = right
        found[SAMPLES] += width - 1.0
        found[TROUGHS] += 1.0
        if lowest < found[LOWEST]:
            found[LOWEST], found[LOWEST_TOP] = lowest, top
        i = right
