"""The received signal, kept in a temporary file while it is measured: 4 bytes a sample."""

import tempfile
from collections.abc import Iterator
from types import TracebackType
from typing import Self

import numpy as np

from carrierfloor.dsp.carrier_reference import CarrierReference
from carrierfloor.dsp.received import Stretch, stretch_of
from carrierfloor.dsp.stage import Block

BLOCK = 16_384
BYTES = 4  # float32: 7 digits


class KeptSignal:
    """The part along the carrier at 48 kHz; use it in a ``with`` statement.

    Attributes
    ----------
    samples : int
        How many were added.
    """

    def __init__(self) -> None:
        self.samples = 0
        self._file = tempfile.TemporaryFile(prefix="carrierfloor-")  # noqa: SIM115 (closed on leaving)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._file.close()

    def add(self, in_phase: Block) -> None:
        """Keep the next samples."""
        self._file.seek(BYTES * self.samples)
        self._file.write(in_phase.astype(np.float32).tobytes())
        self.samples += len(in_phase)

    def blocks(self, first: int, last: int) -> Iterator[tuple[int, Block]]:
        """Yield the samples from ``first`` to ``last``, in blocks, each with its number."""
        for start in range(first, last, BLOCK):
            self._file.seek(BYTES * start)
            content = self._file.read(BYTES * (min(start + BLOCK, last) - start))
            yield start, np.frombuffer(content, dtype=np.float32).astype(np.float64)


class ReceivedSignal:
    """The received modulation, any part of it, as often as wanted.

    Parameters
    ----------
    kept : KeptSignal
        The part along the carrier.
    reference : CarrierReference
        What it is measured against.
    half_width_hz : float
        What is in it on each side of the carrier.
    """

    def __init__(self, kept: KeptSignal, reference: CarrierReference, half_width_hz: float) -> None:
        self._kept = kept
        self.reference, self.half_width_hz = reference, half_width_hz

    @property
    def samples(self) -> int:
        """How many there are, at 48 kHz and in step with the recording."""
        return self._kept.samples

    def blocks(self, first: int = 0, last: int | None = None) -> Iterator[Stretch]:
        """Yield stretches from sample ``first`` to ``last``, which are numbers of samples."""
        end = self.samples if last is None else min(last, self.samples)
        for start, in_phase in self._kept.blocks(max(0, first), end):
            yield stretch_of(in_phase, start, self.reference)

    def take(self, first: int, count: int) -> Block:
        """Return ``count`` samples of m from ``first`` on; zeros where nothing is known."""
        taken = np.zeros(count)
        for stretch in self.blocks(first, first + count):
            at = stretch.first - first
            taken[at : at + len(stretch.modulation)] = stretch.modulation
        return taken
