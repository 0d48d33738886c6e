"""What was heard at the far end of a live session, compared with what the session sent.

The session keeps its own record: the microphone and what it sent.  A listener at the far end of
the output's cable keeps another.  What was heard must be silence or exactly what was sent, in the
order it was sent; what was sent must be the chain on the microphone.
"""

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.desk_stages import SENT_AS
from carrierfloor.dsp.stage import HOP
from tests import clips
from tests.audio_server import RATE_HZ

# The shipped rig plate-modulated.
PATH = [
    {"kind": "highpass", "corner_hz": 40.0, "q": 0.7},
    {"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},
]
FULL_MODULATION = 10 ** (-6 / 20)
NEGATIVE_LIMIT, POSITIVE_LIMIT, TOLERANCE = 0.95, 1.25, 0.001
EXACT = 2.0**-22  # rounding to 24 bit and to 32-bit floats
GAP = RATE_HZ // 100  # zeros in a row that count as silence
SEEN = 64  # samples in which a place is recognised
LOOKED = RATE_HZ // 10  # in which the loudest place is looked for
SETTLED = RATE_HZ // 8  # after the fader went up, in which the limiter comes to know the paths
FADED = RATE_HZ // 25  # ahead of an end
WRITTEN = RATE_HZ // 2  # so much the recorder may be behind when the log tells how far it is


def usual_chain() -> Chain:
    """Return the chain that a session has if nothing else is asked for."""
    return Chain(presets.voice(), presets.rig(), sample_step=SENT_AS.largest_error)


@dataclass(frozen=True)
class Piece:
    """A stretch of what was heard that is exactly a stretch of what was sent."""

    heard: int
    sent: int
    length: int


@dataclass(frozen=True)
class Comparison:
    """Where the desk was loaded, the largest difference from the chain, samples compared.

    Where it was loaded is seen from what was sent then; a load behind which nothing was sent is
    left out.
    """

    loads: list[int]
    furthest: float
    compared: int


@dataclass
class Outcome:
    """What was heard, what went into the session, what it sent, and its log."""

    heard: clips.Array
    raw: clips.Array
    sent: clips.Array
    rows: list[dict[str, Any]]

    def unclip(self, sound: clips.Array) -> None:
        """Put a sound that was beyond full scale back into the record, which holds it clipped."""
        clipped = np.clip(sound, -1.0, 1.0)
        begin, end = stretches(self.raw)[0]
        piece = find(self.raw, begin, end, clipped)
        assert piece is not None
        assert piece.length > RATE_HZ
        self.raw = self.raw.copy()
        self.raw[piece.heard : piece.heard + piece.length] = sound[
            piece.sent : piece.sent + piece.length
        ]

    @property
    def remarks(self) -> list[str]:
        """All that was said, in order."""
        told = [str(row["message"]) for row in self.rows]
        return [one for before, one in pairwise(["", *told]) if one != before]

    @property
    def restarts(self) -> list[int]:
        """Where in the record the desk was loaded anew, or up to ``WRITTEN`` earlier."""
        at_s = [row["recorded_s"] for row in self.rows if row["event"] == "restart"]
        return [HOP * int(one * RATE_HZ / HOP) for one in at_s]

    def pieces(self) -> tuple[list[Piece], int]:
        """Return what was heard in pieces of what was sent, and how many samples are neither."""
        heard = without_traces(self.heard)
        found: list[Piece] = []
        strange = 0
        for begin, end in stretches(heard):
            while begin < end:
                piece = find(heard, begin, end, self.sent, found[-1] if found else None)
                if piece is None:
                    strange += int(np.count_nonzero(heard[begin:end]))
                    break
                strange += int(np.count_nonzero(heard[begin : piece.heard]))
                found.append(piece)
                begin = piece.heard + piece.length
        return found, strange

    @cached_property
    def beside_the_chain(self) -> Comparison:
        """What was sent beside the chain on the microphone, from each load of the desk on."""
        chain = usual_chain()
        loads, furthest, compared = [], 0.0, 0
        for begin, end in pairwise([0, *self.restarts, len(self.raw)]):
            latest = min(begin + WRITTEN, end) if begin else begin
            tries = [self._compare(chain, load, end) for load in range(begin, latest + 1, HOP)]
            best = min(tries, key=lambda one: one.furthest)
            loads += best.loads
            furthest, compared = max(furthest, best.furthest), compared + best.compared
        return Comparison(loads, furthest, compared)

    def _compare(self, chain: Chain, load: int, end: int) -> Comparison:
        chain.reset()
        expected = chain.process(self.raw[load:end])
        sent = np.concatenate((np.zeros(HOP), self.sent[load:end]))[: end - load]
        off = [
            np.abs(sent - expected)[first + SETTLED : last - FADED]
            for first, last in stretches(sent)
            if last - FADED > first + SETTLED
        ]
        if not off:
            return Comparison([], 0.0, 0)
        together = np.concatenate(off)
        return Comparison([load], float(together.max()), len(together))

    def gap_after(self, since: int, shortest: int = GAP) -> tuple[float, float]:
        """Return when the first silence after a sample begins and how long it is, in seconds."""
        rest = self.heard[since:]
        quiet = runs(rest == 0.0, shortest)
        assert quiet, "it never fell silent"
        begin, end = quiet[0]
        return begin / RATE_HZ, (end - begin) / RATE_HZ


def without_traces(samples: clips.Array) -> clips.Array:
    """Return samples with what a recording of 24 bit does not hold as zeros."""
    return np.where(np.abs(samples) > EXACT, samples, 0.0)


def runs(is_so: Any, shortest: int) -> list[tuple[int, int]]:
    """Return the stretches in which something is so for at least so many samples."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], is_so.astype(np.int8), [0]))))
    return [
        (int(first), int(last))
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if last - first >= shortest
    ]


def stretches(samples: clips.Array) -> list[tuple[int, int]]:
    """Return where sound is, between silences."""
    silent = runs(samples == 0.0, GAP)
    edges = [0, *(edge for gap in silent for edge in gap), len(samples)]
    return [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]


def find(
    heard: clips.Array, begin: int, end: int, sent: clips.Array, before: Piece | None = None
) -> Piece | None:
    """Find the next stretch of what was heard in what was sent; best in step with the last."""
    seen = min(SEEN, end - begin)
    for first in range(begin, end - seen + 1, LOOKED):
        near = heard[first : min(end - seen + 1, first + LOOKED)]
        middle = first + int(np.argmax(np.abs(near)))
        pattern = heard[middle : middle + seen]
        places = np.flatnonzero(np.abs(sent[: len(sent) - seen + 1] - pattern[0]) < EXACT)
        if before is not None:
            in_step = middle + before.sent - before.heard
            later = places[places >= before.sent + before.length]
            places = np.concatenate(([in_step], later, places))
        found = []
        for place in places:  # where it is quiet, several look alike: the longest is the one
            there = sent[place : place + seen]
            if len(there) == seen and np.abs(there - pattern).max() < EXACT:
                back = _alike(heard[begin:middle][::-1], sent[:place][::-1])
                on = _alike(heard[middle:end], sent[place:])
                found.append(Piece(middle - back, int(place) - back, back + on))
        if found:
            return max(found, key=lambda one: one.length)
    return None


def _alike(one: clips.Array, other: clips.Array) -> int:
    """Return how many samples are the same, from the first on."""
    count = min(len(one), len(other))
    differ = np.flatnonzero(np.abs(one[:count] - other[:count]) > EXACT)
    return int(differ[0]) if len(differ) else count
