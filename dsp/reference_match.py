"""Finding a known sound in a recording: when it begins, how fast its clock runs, which way up.

First single seconds of the recording are looked for in all of what was played, by normalised
correlation at 8 kHz.  From the best of them the search goes outward in pieces of a quarter second,
each twice as far away as the last, so that the clock is known better before it matters more; that
keeps the right period of a tone even where the clocks differ by 400 ppm.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.reference_search import (
    AUDIBLE,
    LEAST_LIKENESS,
    MOST_PPM,
    ROW,
    Piece,
    find_anchor,
    loudness,
)
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.stored_signal import Stored
from carrierfloor.dsp.time_map import TimeMap

SHORT = 12_000  # of one that is looked for nearby
NEARBY = 12.0  # samples: how well the first search finds the place
FOUND = 3.0  # samples: how well one piece does
SLOPE_ERROR = 0.6  # samples: what two ends may be wrong against each other
RING_PIECES = 8  # looked for at each distance
SURELY_NEAR = 6.0  # samples: how far the last search looks
MOST_PIECES = 48
BESIDE = 4.0  # times the usual distance from the line: no longer used


def find_in(heard: Stored, sent: Stored) -> TimeMap:
    """Find where a recording holds what was played.

    Parameters
    ----------
    heard : Stored
        The recording: modulation or anything proportional to it; zero where nothing is known.
    sent : Stored
        What was played, best as the transmitter's path makes it; any part of it may be missing
        in the recording, and the other way round.

    Raises
    ------
    AudioError
        If it is not in the recording.
    """
    if heard.samples < SHORT or sent.samples < SHORT:
        raise AudioError("a quarter of a second at least is needed to find one sound in another")
    loud = loudness(heard)
    if not loud.any():
        raise AudioError("there is no modulation in which the reference could be found")
    anchor = find_anchor(heard, sent, loud)
    pieces = _walk(heard, sent, loud, anchor)
    line = _line(pieces)
    starts = _spread_starts(loud, MOST_PIECES)
    for _ in range(2):  # the second time on the right clock already
        inside = [int(start) for start in starts if _is_inside(line, start, sent.samples)]
        looked = [_look(heard, sent, start, line, SURELY_NEAR) for start in inside]
        good = [piece for piece in looked if piece is not None]
        if len(good) > 1:
            line = replace(_line(good), found=len(good) / len(inside))
    return line


def _is_inside(line: TimeMap, start: int, samples: int) -> bool:
    first, last = line.sent_at(np.array([float(start), float(start + SHORT)]))
    return bool(first >= 0.0 and last <= samples)


def _walk(heard: Stored, sent: Stored, loud: Block, anchor: Piece) -> list[Piece]:
    """Go outward from the anchor, ever farther."""
    sign = float(np.copysign(1.0, anchor.likeness))
    starts = _spread_starts(loud, len(loud))
    away = np.abs(starts + SHORT / 2 - anchor.at)
    pieces: list[Piece] = []
    nearer, reached = -1.0, SHORT / 2
    while nearer < away.max():
        ring = starts[(away > nearer) & (away <= reached)]
        for start in _thinned(ring, RING_PIECES):
            line, reach = _expectation(pieces, anchor, sign, start + SHORT / 2)
            found = _look(heard, sent, start, line, reach)
            if found is not None:
                pieces.append(found)
        nearer, reached = reached, 2.0 * reached
    if not pieces:
        raise AudioError("the reference is not in this recording; give what the sound card played")
    return pieces


def _expectation(
    pieces: Sequence[Piece], anchor: Piece, sign: float, at: float
) -> tuple[TimeMap, float]:
    """Return where to look next, and how far around."""
    known = pieces or [anchor]
    distance = min(abs(at - piece.at) for piece in known)
    span = float(np.ptp([piece.at for piece in known]))
    nearby = FOUND if pieces else NEARBY
    if span < SHORT:
        level = TimeMap(known[0].offset, 0.0, sign, 0.0, 0.0)
        return level, nearby + 1e-6 * MOST_PPM * distance
    return _line(known, sign), nearby + min(1e-6 * MOST_PPM, SLOPE_ERROR / span) * distance


def _thinned(starts: NDArray[np.int64], most: int) -> list[int]:
    """Return so many of them, spread evenly."""
    if len(starts) > most:
        starts = starts[np.linspace(0, len(starts) - 1, most).round().astype(int)]
    return [int(start) for start in starts]


def _spread_starts(loud: Block, most: int) -> NDArray[np.int64]:
    """Choose the beginnings of pieces that hold audio, spread over the recording."""
    rows = np.flatnonzero(loud[:-2] > AUDIBLE * loud.max()) if len(loud) > 2 else np.zeros(1, int)
    if not len(rows):
        rows = np.array([max(0, int(np.argmax(loud)) - 1)])
    return np.array(_thinned(rows * ROW, most), dtype=np.int64)


def _look(heard: Stored, sent: Stored, start: int, line: TimeMap, reach: float) -> Piece | None:
    """Look for one piece within ``reach`` samples of where the line puts it."""
    whole = int(np.ceil(reach)) + 1
    piece = heard.take(start, SHORT)
    expected = line.take(sent, start - whole, SHORT + 2 * whole)
    piece = piece - piece.mean()
    size = 1 << (SHORT + 2 * whole).bit_length()
    product = np.fft.rfft(expected, size) * np.conj(np.fft.rfft(piece, size))
    correlation = np.fft.irfft(product, size)[: 2 * whole + 1]
    sums = np.concatenate([[0.0], np.cumsum(expected)])
    squares = np.concatenate([[0.0], np.cumsum(np.square(expected))])
    total = sums[SHORT:] - sums[:-SHORT]
    energy = squares[SHORT:] - squares[:-SHORT] - total * total / SHORT
    if energy.max() <= 0.0:
        return None
    energy = np.maximum(energy, 1e-6 * energy.max())
    likeness = correlation / np.sqrt(energy * max(float(np.sum(np.square(piece))), 1e-300))
    at = int(np.argmax(likeness))
    if not 0 < at < 2 * whole or likeness[at] < LEAST_LIKENESS:
        return None
    left, middle, right = likeness[at - 1 : at + 2]
    between = 0.5 * (left - right) / (left - 2.0 * middle + right)
    weights = np.square(piece)
    centre = start + float(np.sum(np.arange(SHORT) * weights) / np.sum(weights))
    shift = at + between - whole  # expected[k + shift] looks like piece[k]: it is heard earlier
    offset = centre - line.sent_at(centre + shift)
    return Piece(centre, float(offset), float(likeness[at]) * line.sign)


def _line(pieces: Sequence[Piece], sign: float | None = None) -> TimeMap:
    """Put a straight line through the pieces, without those far beside it."""
    at, offset, likeness = (
        np.array([getattr(piece, name) for piece in pieces]) for name in
        ("at", "offset", "likeness")
    )  # fmt: skip
    weight = np.square(likeness)
    kept = np.ones(len(at), dtype=bool)
    slope, level, rest = 0.0, float(offset.mean()), np.zeros(len(at))
    for _ in range(4):
        slope, level = _weighted_line(at[kept], offset[kept], weight[kept])
        rest = offset - level - slope * at
        usual = max(0.02, float(np.median(np.abs(rest[kept]))))
        kept = np.abs(rest) <= BESIDE * usual
    # offset(k) = k - sent(k) = level + slope k, so sent(k) = ((1 - slope) k - level).
    stretch = 1.0 / (1.0 - slope)
    return TimeMap(
        offset=level * stretch,
        clock_ppm=1e6 * (stretch - 1.0),
        sign=float(np.copysign(1.0, likeness.sum())) if sign is None else sign,
        likeness=float(np.abs(likeness).max()),
        error_samples=float(np.sqrt(np.mean(np.square(rest)))),
    )


def _weighted_line(x: Block, y: Block, weight: Block) -> tuple[float, float]:
    """Return slope and value at zero of the line of least squares; level if x does not spread."""
    middle, mean = np.average(x, weights=weight), np.average(y, weights=weight)
    spread = float(weight @ np.square(x - middle))
    slope = float(weight @ ((x - middle) * (y - mean))) / spread if spread > 1e3 else 0.0
    return slope, float(mean - slope * middle)
