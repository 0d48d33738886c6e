"""A simulated modulator: what a transmitter makes of its audio, at a rate where corners are sharp.

First it bends the modulation (harmonics, compression of crests), then hum comes on top, then the
final follows as far as it can: e = max(floor, 1 + m).  Without a diode the floor is zero: the
carrier goes off and does not reverse its phase.  With a keep-alive supply behind an ideal diode the
floor is where that supply holds the plate.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.stage import Block

SOFT_RANGE = 0.5  # compressed crests never rise further above where compression begins (ours)


@dataclass(frozen=True, kw_only=True)
class ModulatorDesign:
    """What is wrong with a modulator, and what holds the final up.

    The harmonics are those of a sine of 100 %, of which the fundamental stays 100 %.  Their sign is
    that at the crest: second harmonic cos 2x, third harmonic cos 3x of a sine cos x.
    """

    second_pct: float = setting(
        0.0, unit="%", low=-30.0, high=30.0, effect="second harmonic of a 100 % sine, with sign"
    )
    third_pct: float = setting(
        0.0, unit="%", low=-30.0, high=30.0, effect="third harmonic of a 100 % sine, with sign"
    )
    compress_pct: float | None = setting(
        None, unit="%", low=10.0, high=300.0, effect="crests above this are compressed softly"
    )
    keep_alive_pct: float | None = setting(
        None,
        unit="%",
        low=0.1,
        high=50.0,
        effect="an ideal diode and its supply hold the envelope up there, in % of the carrier",
    )
    hum_db: float | None = setting(
        None, unit="dB", low=-120.0, high=0.0, effect="modulation by hum, below 100 %"
    )
    hum_hz: float = setting(120.0, unit="Hz", low=1.0, high=5000.0, effect="frequency of the hum")

    def __post_init__(self) -> None:
        check(self, "modulator")

    @property
    def floor(self) -> float:
        """The lowest envelope, 1.0 = unmodulated carrier."""
        return (self.keep_alive_pct or 0.0) / 100.0

    @property
    def hum(self) -> float:
        """Modulation by hum, 1.0 = 100 %."""
        return 0.0 if self.hum_db is None else float(10.0 ** (self.hum_db / 20.0))


class SimulatedModulator:
    """Modulate a carrier, in a stream of blocks; cutting it differently changes nothing.

    Parameters
    ----------
    design : ModulatorDesign
        Of the modulator.
    rate_hz : float
        Of the stream.
    first : int
        Number of the first sample; the hum has phase zero (a sine) at number 0.
    """

    def __init__(self, design: ModulatorDesign, rate_hz: float, first: int = 0) -> None:
        self._shape = np.array(
            [
                2.0 * design.second_pct / 100.0,
                design.third_pct / 100.0,
                math.inf if design.compress_pct is None else design.compress_pct / 100.0,
            ]
        )
        self._hum, self._hum_hz, self._rate_hz = design.hum, design.hum_hz, rate_hz
        self._floor = design.floor
        self._next = first

    def process(self, modulation: Block) -> tuple[Block, Block]:
        """Take the next samples of m, shape (n,).

        Returns
        -------
        wanted : ndarray, shape (n,)
            The modulation if the final could follow it below zero, 1.0 = 100 %.
        envelope : ndarray, shape (n,)
            What it does instead, 1.0 = unmodulated carrier.
        """
        wanted = np.array(modulation, dtype=np.float64)
        _bend(self._shape, wanted)
        if self._hum:
            n = np.arange(self._next, self._next + len(wanted), dtype=np.float64)
            turns = np.fmod(n * self._hum_hz, self._rate_hz) / self._rate_hz
            wanted += self._hum * np.sin(2.0 * np.pi * turns)
        self._next += len(wanted)
        return wanted, np.maximum(self._floor, 1.0 + wanted)


# Slots of the shape: what v squared is multiplied by, the third harmonic, where compression begins.
SQUARE, THIRD, COMPRESSED_FROM = 0, 1, 2


@kernel
def _bend(shape: Block, block: Block) -> None:
    """Bend the modulation v in place.

    2 a cos^2 x = a + a cos 2x: a second harmonic, and the shift of the carrier that goes with it.
    4 cos^3 x - 3 cos x = cos 3x, the third Chebyshev polynomial: the fundamental stays.
    """
    square, third, begins = shape[SQUARE], shape[THIRD], shape[COMPRESSED_FROM]
    for i in range(block.shape[0]):
        v = block[i]
        bent = v + square * v * v + third * v * (4.0 * v * v - 3.0)
        if bent > begins:
            bent = begins + SOFT_RANGE * math.tanh((bent - begins) / SOFT_RANGE)
        block[i] = bent
