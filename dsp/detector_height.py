"""The height of the carrier in a detector recording, by the recording alone.

A recording with its DC is above zero all the time, and zero is zero.  One that has lost its DC
says nothing by itself, unless troughs are flat: a carrier that is cut off has no envelope, so the
bottom lies where zero is.  Something else may hold a trough flat, such as a clipper in the audio or
a keep-alive diode; the carrier is then higher than what is found here, and troughs look deeper
than they are, never shallower.
"""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.stored_signal import Stored

BLOCK = 480_000
ONE_SIDED = 0.02  # of the highest sample: so far a recording with DC may reach beyond zero
LEAST_DC = 0.25  # of the highest sample: mean of a recording with DC
HALF, NEAR = 0.5, 0.93  # of a trough's depth, where its width is measured
FLAT = 0.5  # width there over width at half the depth; a sine: arccos 0.93 / arccos 0.5 = 0.36
FEWEST_SAMPLES = 8  # across a trough at half its depth
ALIKE = 0.05  # of the depth: flat bottoms that lie together
SAME, SAME_PART = 0.015, 0.65  # of the depth, and the part of them that must lie so close together
DEEPER, DEEPER_PART = 0.01, 0.35  # of the depth, and how many may go so much deeper, over the flat
FEWEST = 5  # flat bottoms
CARRIER_ERROR = 0.02  # a part of the carrier: by the ringing and droop of a flat bottom


@dataclass(frozen=True, kw_only=True)
class FoundHeight:
    """A carrier's height above zero in a recording.

    Parameters
    ----------
    carrier : float
        With sign; 1.0 = full scale.
    at_rest : float
        What is recorded for the bare carrier.
    error : float
        A part of the carrier, 95 %.
    by : str
        ``DC`` or ``flat troughs``.
    flat_troughs : int
    """

    carrier: float
    at_rest: float
    error: float
    by: str
    flat_troughs: int = 0


@dataclass(frozen=True, kw_only=True)
class Extremes:
    """Of a recording, 1.0 = full scale."""

    lowest: float
    highest: float
    mean: float

    @property
    def has_dc(self) -> bool:
        """Whether the DC is in it."""
        top = max(abs(self.lowest), abs(self.highest))
        beyond = min(max(0.0, -self.lowest), max(0.0, self.highest))
        return abs(self.mean) >= LEAST_DC * top and beyond <= ONE_SIDED * top


def extremes(recorded: Stored) -> Extremes:
    """Look at all of a recording."""
    lowest = highest = total = 0.0
    for first in range(0, recorded.samples, BLOCK):
        block = recorded.take(first, min(BLOCK, recorded.samples - first))
        lowest, highest = min(lowest, float(block.min())), max(highest, float(block.max()))
        total += float(block.sum())
    return Extremes(lowest=lowest, highest=highest, mean=total / max(1, recorded.samples))


def find_height(recorded: Stored, *, inverted: bool = False) -> FoundHeight | None:
    """Find the carrier's height by the recording alone; None if nothing tells it.

    Parameters
    ----------
    recorded : Stored
        The detector's voltage at 48 kHz.
    inverted : bool
        Whether more carrier is a lower voltage.
    """
    found = extremes(recorded)
    if found.has_dc:
        middle = _median(recorded)
        return FoundHeight(carrier=middle, at_rest=middle, error=0.0, by="DC")
    sign = -1.0 if inverted else 1.0
    deepest = -found.lowest if not inverted else found.highest
    rows = [
        _troughs(sign * recorded.take(first, min(BLOCK, recorded.samples - first)), deepest)
        for first in range(0, recorded.samples, BLOCK)
    ]
    depth, flat, width = np.concatenate(rows, axis=1)
    depths, widths = depth[flat > FLAT], width[flat > FLAT]
    if len(depths) < FEWEST:
        return None
    bottom = float(np.percentile(depths, 90))
    near = np.abs(depths - bottom) <= ALIKE * bottom
    if near.sum() < FEWEST or not _is_a_floor(depths[near], depth):
        return None
    carrier = sign * float(np.average(depths[near], weights=widths[near]))
    spread = float(depths[near].std()) / abs(carrier) / np.sqrt(near.sum())
    return FoundHeight(
        carrier=carrier,
        at_rest=0.0,
        error=float(np.hypot(CARRIER_ERROR, 2.0 * spread)),
        by="flat troughs",
        flat_troughs=int(near.sum()),
    )


def _is_a_floor(flat: Block, depth: Block) -> bool:
    """Tell whether it can be the lost carrier that holds flat troughs.

    Speech, clipped and limited speech too, has flat troughs by itself, but less alike, and others
    go deeper.  In simulated recordings of cut-offs 76 % and more lay close together, and at most
    0.23 times as many troughs were deeper; without cut-offs at least 0.45 times as many.
    """
    middle = float(np.median(flat))
    same = np.count_nonzero(np.abs(flat - middle) <= SAME * middle)
    deeper = np.count_nonzero(depth > (1.0 + DEEPER) * middle)
    return bool(same >= SAME_PART * len(flat) and deeper <= DEEPER_PART * len(flat))


def _median(recorded: Stored) -> float:
    """Return the median voltage of spread samples: that of the carrier, speech being in pauses."""
    means = [
        float(np.median(recorded.take(first, min(BLOCK, recorded.samples - first))))
        for first in range(0, recorded.samples, BLOCK)
    ]
    return float(np.median(means))


def _troughs(voltage: Block, deepest: float) -> Block:
    """Return depth, flatness and width of each trough half as deep as the deepest, shape (3, n)."""
    below = np.concatenate([[False], voltage < -HALF * deepest, [False]])
    edges = np.flatnonzero(below[1:] != below[:-1]).reshape(-1, 2)
    found = []
    for first, last in edges:
        if last - first < FEWEST_SAMPLES:
            continue
        trough = -voltage[first:last]
        depth = float(np.median(np.sort(trough)[-max(3, len(trough) // 3) :]))
        half = np.count_nonzero(trough > HALF * depth)
        near = np.count_nonzero(trough > NEAR * depth)
        found.append((depth, near / half, near))
    return np.array(found).reshape(-1, 3).T
