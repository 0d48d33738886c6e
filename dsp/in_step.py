"""A chain in step with its input: any sample rate in and out, the delay taken out.

For recordings, where the whole input will be there: the output begins and ends with it.
"""

from typing import Protocol

import numpy as np

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block


class Listener(Protocol):
    """Gets what the chain hears."""

    def hear(self, block: Block) -> None:
        """Take the next samples at 48 kHz."""

    def end_at(self, sample: int) -> None:
        """Learn where the input will end; called once, before the last samples."""


class InStep:
    """Run a chain over a recording, block by block, in constant memory.

    Parameters
    ----------
    chain : Chain
        A fresh chain.
    input_rate_hz, output_rate_hz : float
        Sample rates of what goes in and comes out.
    listener : Listener, optional
        Gets what the chain hears.

    Notes
    -----
    The last samples are held back until :meth:`finish` tells where the end is, because the chain
    fades out there: a recording that ends in the middle of a sound would end in a step.
    """

    def __init__(
        self,
        chain: Chain,
        input_rate_hz: float,
        output_rate_hz: float,
        listener: Listener | None = None,
    ) -> None:
        self.chain = chain
        self._ratio = output_rate_hz / input_rate_hz
        self._to_chain = Resampler(input_rate_hz, SAMPLE_RATE_HZ)
        self._from_chain = Resampler(SAMPLE_RATE_HZ, output_rate_hz)
        self._listener = listener
        self._held = np.zeros(0)
        self._late = chain.latency_samples  # of the chain's output, still to be dropped
        self._taken = 0  # samples taken at the input's rate
        self._fed = 0  # samples fed to the chain
        self._given = 0  # samples given at the output's rate

    def process(self, block: Block) -> Block:
        """Take the next samples, shape (n,), any n; return those that are ready."""
        self._taken += len(block)
        self._held = np.concatenate([self._held, self._to_chain.process(block)])
        free = max(0, len(self._held) - self.chain.edge_samples)
        ready, self._held = self._held[:free], self._held[free:]
        return self._count(self._from_chain.process(self._run(ready)))

    def finish(self) -> Block:
        """Return the rest; all in all as many samples as the input's time holds."""
        rest = np.concatenate([self._held, self._to_chain.finish()])
        end = self._fed + len(rest)
        self.chain.end_at(end)
        if self._listener is not None:
            self._listener.end_at(end)
        out = [self._from_chain.process(self._run(rest))]
        out.append(self._from_chain.process(self._on_time(self.chain.flush())))
        out.append(self._from_chain.finish())
        wanted = round(self._taken * self._ratio) - self._given
        last = np.concatenate(out)[:wanted]
        return self._count(np.concatenate([last, np.zeros(wanted - len(last))]))

    def _run(self, block: Block) -> Block:
        self._fed += len(block)
        if self._listener is not None:
            self._listener.hear(block)
        return self._on_time(self.chain.process(block))

    def _on_time(self, block: Block) -> Block:
        """Drop what the chain's delay puts before the first sample."""
        early = min(self._late, len(block))
        self._late -= early
        return block[early:]

    def _count(self, block: Block) -> Block:
        self._given += len(block)
        return block
