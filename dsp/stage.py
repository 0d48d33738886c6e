"""What a stage is: parameters, state, a latency; a block goes in, a block comes out.

Three parts, always in this order in a stage's file:

1. a *design*: a frozen dataclass of physical settings, the keys of its table in a voice file;
2. ``design(...)``-to-numbers: ``build(context)`` turns it into coefficients and a fresh state;
3. a *kernel*: a compiled loop ``kernel(coefficients, state, block)`` that works in place.

Inside the chain 1.0 means 100 % modulation, audio is mono float64 at 48 kHz.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.settings import check, from_table

Block = NDArray[np.float64]
Kernel = Callable[[Block, Block, Block], None]

SAMPLE_RATE_HZ = 48_000.0
HOP = 128  # samples a kernel works on at once, and the step of the predictive limiter


@dataclass(frozen=True, kw_only=True)
class Context:
    """What a stage may need to know of the rig and the output it works for."""

    negative_limit: float = 0.95  # deepest trough allowed at the antenna, 1.0 = carrier cut-off
    positive_limit: float = 1.25  # highest crest allowed at the antenna
    highest_hz: float = SAMPLE_RATE_HZ / 2  # what the output's sample rate can carry


class Stage(ABC):
    """One link of the chain.

    A third-party stage may be plain Python; it then gets blocks of exactly ``HOP`` samples from
    the chain, whatever the caller's block size.
    """

    latency_samples: int = 0

    @abstractmethod
    def process(self, block: Block) -> Block:
        """Take the next samples of the stream, shape (n,), and return as many."""

    @abstractmethod
    def reset(self) -> None:
        """Forget all past input."""

    @property
    def meters(self) -> Mapping[str, float]:
        """Readings, units in the names; values since the last reset unless they end in _now."""
        return {}


@dataclass(frozen=True, kw_only=True)
class StageDesign(ABC):
    """The settings of a stage, whatever rig it works for; checked when made."""

    kind: ClassVar[str]

    def __post_init__(self) -> None:
        check(self, self.kind)

    @classmethod
    def from_settings(cls, settings: Mapping[str, Any], where: str) -> Self:
        """Make a design from its table in a voice file; overridden by a design with sub-tables."""
        return from_table(cls, settings, where)

    @abstractmethod
    def build(self, context: Context) -> Stage:
        """Turn the settings into a fresh stage."""


@dataclass
class CompiledStage(Stage):
    """A stage whose work is a kernel on two flat float64 arrays.

    The chain moves both arrays into one arena, so that a whole chain is two addresses.

    Parameters
    ----------
    kind : str
        Which kernel the engine runs.
    kernel : callable
        ``kernel(coefficients, state, block)``, in place, for 1 to ``HOP`` samples.
    coefficients : ndarray, shape (c,)
        What the kernel only reads.
    initial_state : ndarray, shape (s,)
        What the kernel reads and writes, as it is after a reset.
    latency_samples : int
        Delay from input to output.
    read_meters : callable
        Turns the state array into named readings.
    """

    kind: str
    kernel: Kernel
    coefficients: Block
    initial_state: Block
    latency_samples: int = 0
    read_meters: Callable[[Block], Mapping[str, float]] = lambda state: {}
    state: Block = field(init=False)

    def __post_init__(self) -> None:
        self.state = self.initial_state.copy()

    def process(self, block: Block) -> Block:
        """Run the kernel over a copy of the samples, shape (n,), any n."""
        out = np.array(block, dtype=np.float64)
        for start in range(0, len(out), HOP):
            self.kernel(self.coefficients, self.state, out[start : start + HOP])
        return out

    def reset(self) -> None:
        """Forget all past input."""
        self.state[:] = self.initial_state

    @property
    def meters(self) -> Mapping[str, float]:
        """Readings of this stage."""
        return self.read_meters(self.state)
