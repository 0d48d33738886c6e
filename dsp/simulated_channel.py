"""A simulated way from the transmitter to a receiver: fading, carrier frequency, a neighbour.

Everything is a closed form of the sample's number, so that cutting the stream differently changes
nothing.  Fading is that of two rays (compare C. C. Watterson, J. R. Juroshek and W. D. Bensema,
"Experimental confirmation of an HF channel model", IEEE Trans. Commun. Technol. 18, 1970, whose
model has any number of rays with random gains):

    z(t) = (e(t) + r e(t - d) exp(j 2 pi f t)) / sqrt(1 + r^2)

with a mean power that stays.  Without a delay d the whole signal fades by (1 + r) / (1 - r); with
one each frequency fades by itself.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.stage import Block

# The neighbour is modulated by two tones of 40 % each (ours).
NEIGHBOUR_HZ, NEIGHBOUR_INDEX = (431.0, 1137.0), 0.4
NEIGHBOUR_HALF_WIDTH_HZ = 2000.0


@dataclass(frozen=True, kw_only=True)
class ChannelDesign:
    """What happens between transmitter and recording."""

    carrier_to_noise_db: float | None = setting(
        None, unit="dB", low=-20.0, high=150.0, effect="unmodulated carrier over noise"
    )
    noise_bandwidth_hz: float = setting(
        10_000.0, unit="Hz", low=100.0, high=1e6, effect="in which that noise is counted"
    )
    fading_db: float = setting(
        0.0, unit="dB", low=0.0, high=60.0, effect="strongest over weakest carrier"
    )
    fading_hz: float = setting(
        0.2, unit="Hz", low=0.0, high=50.0, effect="how often a second it fades"
    )
    fading_delay_ms: float = setting(
        0.0, unit="ms", low=0.0, high=20.0, effect="of the second ray; above 0 it fades selectively"
    )
    offset_hz: float = setting(
        0.0, unit="Hz", low=-1.5e6, high=1.5e6, effect="where the carrier is at the beginning"
    )
    drift_hz_per_s: float = setting(
        0.0, unit="Hz/s", low=-10_000.0, high=10_000.0, effect="how fast it moves"
    )
    neighbour_db: float | None = setting(
        None, unit="dB", low=-80.0, high=80.0, effect="another carrier, over this one"
    )
    neighbour_hz: float = setting(
        10_000.0, unit="Hz", low=-1.5e6, high=1.5e6, effect="from this carrier to that"
    )
    imbalance_pct: float = setting(
        0.0, unit="%", low=0.0, high=50.0, effect="mirror image of an IQ receiver"
    )

    def __post_init__(self) -> None:
        check(self, "channel")

    @property
    def second_ray(self) -> float:
        """Amplitude of the second ray, the first being 1."""
        ratio = 10.0 ** (self.fading_db / 20.0)
        return float((ratio - 1.0) / (ratio + 1.0))

    @property
    def neighbour(self) -> float:
        """Amplitude of the neighbour's carrier, ours being 1."""
        return 0.0 if self.neighbour_db is None else float(10.0 ** (self.neighbour_db / 20.0))

    def noise_rms(self, rate_hz: float) -> float:
        """Return the rms of white complex noise at a sample rate, our carrier being 1."""
        if self.carrier_to_noise_db is None:
            return 0.0
        in_band = 10.0 ** (-self.carrier_to_noise_db / 10.0)
        return math.sqrt(in_band * rate_hz / self.noise_bandwidth_hz)

    def carrier_hz(self, time_s: float) -> float:
        """Return where the carrier is at a time."""
        return self.offset_hz + self.drift_hz_per_s * time_s


class SimulatedChannel:
    """Put an envelope on a carrier, in a stream of blocks; cutting it changes nothing.

    Parameters
    ----------
    design : ChannelDesign
        Its noise and imbalance are none of this class's business.
    rate_hz : float
        Of the stream.
    first : int
        Number of the first sample; time is zero at number 0.
    phase : float
        Of the carrier at time zero, in turns.

    Raises
    ------
    SettingError
        If the rate cannot carry the neighbour.
    """

    def __init__(
        self, design: ChannelDesign, rate_hz: float, first: int = 0, phase: float = 0.0
    ) -> None:
        neighbour_hz = design.offset_hz + design.neighbour_hz
        highest_hz = rate_hz / 2.0 - NEIGHBOUR_HALF_WIDTH_HZ
        if design.neighbour and abs(neighbour_hz) > highest_hz:
            raise SettingError(
                f"the neighbour is at {neighbour_hz:g} Hz; with this sample rate it must be within "
                f"{highest_hz:g} Hz of the middle"
            )
        self._carrier = np.array([phase, design.offset_hz, design.drift_hz_per_s]) * [
            1.0,
            1.0 / rate_hz,
            0.5 / rate_hz**2,
        ]
        self._ray = np.array([design.second_ray, design.fading_hz / rate_hz])
        self._neighbour = np.array(
            [design.neighbour, neighbour_hz / rate_hz, *(hz / rate_hz for hz in NEIGHBOUR_HZ)]
        )
        delay = round(design.fading_delay_ms / 1000.0 * rate_hz)
        self._past = np.ones(delay)  # the carrier has been on for long
        self._next = first

    def process(self, envelope: Block) -> Complex:
        """Take the next samples of the envelope, shape (n,); return what is received."""
        joined = np.concatenate([self._past, envelope])
        received = np.empty(len(envelope), dtype=np.complex128)
        late = joined[: len(envelope)]
        _ride(envelope, late, float(self._next), self._carrier, self._ray, received)
        if self._neighbour[0]:
            _add_neighbour(self._neighbour, float(self._next), received)
        self._past = joined[len(envelope) :].copy()
        self._next += len(envelope)
        return received


@kernel
def _ride(
    envelope: Block, late: Block, first: float, carrier: Block, ray: Block, received: Complex
) -> None:
    """Put both rays on the carrier."""
    two_pi = 2.0 * math.pi
    second, beats = ray[0], ray[1]
    scale = 1.0 / math.sqrt(1.0 + second * second)
    for i in range(envelope.shape[0]):
        n = first + i
        angle = two_pi * ((carrier[0] + (carrier[1] + carrier[2] * n) * n) % 1.0)
        turned = complex(math.cos(angle), math.sin(angle))
        if second > 0.0:
            beat = two_pi * ((beats * n) % 1.0)
            other = second * late[i]
            both = complex(envelope[i] + other * math.cos(beat), other * math.sin(beat))
            received[i] = scale * both * turned
        else:
            received[i] = envelope[i] * turned


@kernel
def _add_neighbour(neighbour: Block, first: float, received: Complex) -> None:
    """Add the neighbour, two tones on a carrier."""
    two_pi = 2.0 * math.pi
    for i in range(received.shape[0]):
        n = first + i
        angle = two_pi * ((neighbour[1] * n) % 1.0)
        tones = math.sin(two_pi * ((neighbour[2] * n) % 1.0))
        tones += math.sin(two_pi * ((neighbour[3] * n) % 1.0))
        height = neighbour[0] * (1.0 + NEIGHBOUR_INDEX * tones)
        received[i] += height * complex(math.cos(angle), math.sin(angle))
