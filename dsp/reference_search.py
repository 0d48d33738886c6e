"""Looking for single seconds of a recording in all of what was played.

By normalised correlation at 8 kHz, in long transforms.  Which of the places found is right is
decided by the beginning, which even a tone has only once, or by how many others agree.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.stored_signal import Stored

ROW = 4800  # samples, 0.1 s: how closely the recording's loudness is looked at
AUDIBLE = 0.1  # of the loudest rows: those above hold audio
LEAST_LIKENESS = 0.4
MOST_PPM = 400.0
SLACK = 480  # samples, 10 ms: what pieces may disagree besides
LONG = 48_000  # samples of a piece that is looked for everywhere
PARTS = 6  # of the recording; the loudest second of each is looked for
LEAD_ROWS = 3  # of silence in the piece that holds the beginning
COARSE = 6  # samples of 48 kHz to one of 8 kHz
TRANSFORM = COARSE << 15  # samples looked through at once
BAND_HZ = (80.0, 3500.0)  # in which they are compared
QUIET = 0.03  # of the loudest: what was played is not looked for below
# A tone is nearly as much like itself half a period later and upside down; that is not believed.
UPSIDE_DOWN = 0.97
NEARLY = 0.85  # of the best likeness: then the beginning decides


@dataclass(frozen=True)
class Piece:
    """A piece of the recording, and where it was found."""

    at: float  # its middle, in samples of the recording
    offset: float  # samples from what was played to the recording
    likeness: float  # with sign


def loudness(heard: Stored) -> Block:
    """Return the rms of each row."""
    rms = []
    for first in range(0, heard.samples - ROW + 1, ROW * 600):
        count = min(ROW * 600, (heard.samples - first) // ROW * ROW)
        rms.append(heard.take(first, count).reshape(-1, ROW).std(axis=1))
    return np.concatenate(rms) if rms else np.zeros(0)


def find_anchor(heard: Stored, sent: Stored, loud: Block) -> Piece:
    """Look for a few seconds of the recording in all of what was played; return the best."""
    starts = _long_starts(heard, loud)
    pieces = _search(heard, sent, starts)
    best = max(pieces, key=lambda piece: abs(piece.likeness))
    if abs(best.likeness) < LEAST_LIKENESS:
        raise AudioError(
            "the reference is not in this recording: the best place is alike by "
            f"{100.0 * abs(best.likeness):.0f} %; give what the sound card played"
        )
    if _has_beginning(loud) and abs(pieces[0].likeness) >= NEARLY * abs(best.likeness):
        return pieces[0]  # a tone is alike in every period, but begins once
    support = [_support(piece, pieces) for piece in pieces]
    return pieces[int(np.argmax(support))]


def _support(piece: Piece, pieces: Sequence[Piece]) -> float:
    """Return how well a place agrees with the other pieces."""
    return sum(
        abs(other.likeness)
        for other in pieces
        if abs(other.offset - piece.offset) <= SLACK + 1e-6 * MOST_PPM * abs(other.at - piece.at)
        and other.likeness * piece.likeness > 0.0
    )


def _has_beginning(loud: Block) -> bool:
    first = int(np.argmax(loud > AUDIBLE * loud.max()))
    return first > 0


def _long_starts(heard: Stored, loud: Block) -> list[int]:
    """Choose the pieces: the one that holds the beginning first, then the loudest of each part."""
    first = int(np.argmax(loud > AUDIBLE * loud.max()))
    starts = [max(0, first - LEAD_ROWS) * ROW]
    rows = LONG // ROW
    if len(loud) > rows:
        power = np.convolve(np.square(loud), np.ones(rows), "valid")
        for part in np.array_split(np.arange(len(power)), min(PARTS, len(power))):
            starts.append(int(part[np.argmax(power[part])]) * ROW)
    return starts


def _search(heard: Stored, sent: Stored, starts: Sequence[int]) -> list[Piece]:
    """Look for the pieces that begin at ``starts`` in all of what was played."""
    count = min(LONG, heard.samples)
    step = TRANSFORM - LONG
    patterns = [_coarse(np.pad(heard.take(start, count), (0, TRANSFORM - count)))
                for start in starts]  # fmt: skip
    energies = [_energy(pattern) for pattern in patterns]
    best = [Piece(start + count / 2, 0.0, 0.0) for start in starts]
    floor = 0.0
    for first in range(-LONG, sent.samples, step):
        spectrum = _coarse(sent.take(first, TRANSFORM))
        running = _running_energy(spectrum, count // COARSE)
        floor = max(floor, QUIET**2 * float(running.max()))
        if not running.any():
            continue
        usable = step // COARSE
        scale = 1.0 / np.sqrt(np.maximum(running[:usable], max(floor, 1e-300)))
        for k, pattern in enumerate(patterns):
            likeness = np.fft.irfft(spectrum * np.conj(pattern))[:usable] * scale
            likeness /= np.sqrt(max(energies[k], 1e-300))
            at = int(np.argmax(np.where(likeness > 0.0, likeness, -UPSIDE_DOWN * likeness)))
            found = Piece(best[k].at, float(starts[k] - first - at * COARSE), float(likeness[at]))
            best[k] = max(best[k], found, key=_merit)
    return best


def _merit(piece: Piece) -> float:
    """Return the likeness; for one that is upside down a little less."""
    return max(piece.likeness, -UPSIDE_DOWN * piece.likeness)


def _coarse(samples: Block) -> NDArray[np.complex128]:
    """Return the spectrum of TRANSFORM samples up to 4 kHz, as of samples at 8 kHz."""
    bins = np.fft.rfft(samples)[: TRANSFORM // COARSE // 2 + 1] / COARSE
    low, high = (round(hz * TRANSFORM / SAMPLE_RATE_HZ) for hz in BAND_HZ)
    bins[:low] = bins[high:] = 0.0
    return bins


def _energy(spectrum: NDArray[np.complex128]) -> float:
    return float(np.square(np.fft.irfft(spectrum)).sum())


def _running_energy(spectrum: NDArray[np.complex128], count: int) -> Block:
    """Return the energy of the ``count`` samples from each one on, wrapped round at the end."""
    squares = np.square(np.fft.irfft(spectrum))
    total = np.concatenate([[0.0], np.cumsum(np.concatenate([squares, squares[:count]]))])
    return np.asarray(np.maximum(total[count:][: len(squares)] - total[: len(squares)], 0.0))
