"""The chain: a voice's stages, then always the limiter and the output, as one processor."""

from collections.abc import Mapping

from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.voice import Voice


class Chain:
    """Shape a stream of speech so that the carrier stays up at the antenna.

    Parameters
    ----------
    voice : Voice
        How the speech is shaped.
    rig : Rig
        The transmitter it goes to.
    highest_hz : float
        The highest frequency that the output can carry; the chain narrows to fit.
    sample_step : float
        Largest error that the output's sample format adds, 1.0 = full scale; the limiter
        leaves room for it.

    Examples
    --------
    >>> import numpy as np
    >>> from carrierfloor import presets
    >>> chain = Chain(presets.voice("everyday"), presets.rig("plate-modulated"))
    >>> out = chain.process(np.zeros(480))   # any block size; 48 kHz, mono, float64
    >>> rest = chain.flush()                 # the last ``latency_samples`` samples
    """

    def __init__(
        self,
        voice: Voice,
        rig: Rig,
        *,
        highest_hz: float = SAMPLE_RATE_HZ / 2,
        sample_step: float = 0.0,
    ) -> None: ...

    @property
    def latency_samples(self) -> int:
        """Delay from input to output in samples at 48 kHz."""
        ...

    @property
    def meters(self) -> Mapping[str, float]:
        """Readings of all stages, named ``stage.reading_unit``."""
        ...

    def process(self, block: Block) -> Block:
        """Take the next samples, shape (n,), any n; return as many, ``latency_samples`` late."""
        ...

    def flush(self) -> Block:
        """Return the last ``latency_samples`` samples, fed by silence."""
        ...

    def reset(self) -> None:
        """Make the chain as new."""
        ...

    def end_at(self, sample: int) -> None:
        """Fade out so that the output is silent from input sample ``sample`` on.

        Call it at least ``EDGE_SAMPLES`` before that sample is fed.
        """
        ...
