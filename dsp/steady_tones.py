"""Finding the steady tones in a recording of any length, in constant memory.

The envelope is looked at in pieces of a quarter of a second.  Pieces in which one or two lines hold
most of the power, and neighbours in which they are the same, are one run; a run is measured when it
ends.  A staircase of levels gives one run for each step.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.pieces import PIECE, Pieces
from carrierfloor.dsp.spectral_window import LOBE_BINS, blackman_harris
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.tone_reading import LEAST_AMPLITUDE, LOWEST_HZ, NoTone, read_tones

FEWEST_PIECES = 3
MOST_PIECES = 16  # of a run are measured, 4 s
MOST_RUNS = 32
TWO_LINES = 0.6  # of the power is held by the two strongest lines of a piece with steady tones
SAME_LEVEL = 0.03  # two pieces are one run if their level differs by no more ...
SAME_LINES = 0.97  # ... and their spectra are so much alike; a tone 2 Hz away gives 0.94

_WINDOW = blackman_harris(PIECE)


@dataclass(frozen=True, kw_only=True)
class SteadyRun:
    """A stretch with one or two steady tones."""

    start_s: float
    duration_s: float
    reading: OneTone | TwoTones


@dataclass(frozen=True, kw_only=True)
class SteadyReport:
    """All runs, in order of time; if there is none, why."""

    runs: tuple[SteadyRun, ...]
    why: str  # goes on after "no steady tone: "; empty if there are runs
    left_out: int  # runs beyond the first MOST_RUNS


@dataclass
class _Run:
    """Pieces that sound the same."""

    start_s: float
    level: float
    spectrum: Block  # of the first
    pieces: list[Block]
    length: int  # pieces, the unkept ones included

    def goes_on(self, level: float, spectrum: Block) -> bool:
        """Tell whether the next piece sounds the same."""
        same_level = abs(level - self.level) <= SAME_LEVEL * self.level
        return same_level and _likeness(spectrum, self.spectrum) >= SAME_LINES


class SteadyTones:
    """Look for steady tones in a stream of m at 48 kHz.

    Parameters
    ----------
    highest_hz : float
        What the recording passes.
    """

    def __init__(self, highest_hz: float) -> None:
        self._highest_hz = highest_hz
        self._cutter = Pieces()
        self._position = 0  # of the next piece
        self._run: _Run | None = None
        self._runs: list[SteadyRun] = []
        self._left_out = 0
        self._quiet = self._busy = self._pieces = 0
        self._why = ""  # the newest run that was none

    def feed(self, modulation: Block, locked: NDArray[np.bool_] | None = None) -> None:
        """Take the next samples of m, shape (n,), and whether each had a carrier."""
        for piece, has_carrier in self._cutter.feed(modulation, locked):
            self._take(piece, has_carrier)

    def read(self) -> SteadyReport:
        """Return what was found; a run that goes on counts as far as it was heard."""
        runs, left_out, why = list(self._runs), self._left_out, self._why
        if self._run is not None and self._run.length >= FEWEST_PIECES:
            if len(runs) == MOST_RUNS:
                left_out += 1
            else:
                found = self._measured(self._run)
                if isinstance(found, SteadyRun):
                    runs.append(found)
                else:
                    why = found.why
        return SteadyReport(
            runs=tuple(runs), why="" if runs else self._explained(why), left_out=left_out
        )

    def _take(self, piece: Block, has_carrier: bool) -> None:
        start_s = self._position / SAMPLE_RATE_HZ
        self._position += PIECE
        self._pieces += has_carrier
        spectrum = self._steady_spectrum(piece) if has_carrier else None
        if spectrum is None:
            self._end()
            return
        level = float(np.std(piece))
        run = self._run
        if run is not None and run.goes_on(level, spectrum):
            run.length += 1
            if len(run.pieces) < MOST_PIECES:
                run.pieces.append(piece)
            return
        self._end()
        self._run = _Run(start_s, level, spectrum, [piece], 1)

    def _steady_spectrum(self, piece: Block) -> Block | None:
        """Return the spectrum of a piece that may hold steady tones, and count the others."""
        if math.sqrt(2.0) * float(np.std(piece)) < LEAST_AMPLITUDE:
            self._quiet += 1
            return None
        spectrum = _spectrum(piece, self._highest_hz)
        if _two_lines_share(spectrum) >= TWO_LINES:
            return spectrum
        self._busy += 1
        return None

    def _end(self) -> None:
        """Measure the run that has ended."""
        run, self._run = self._run, None
        if run is None or run.length < FEWEST_PIECES:
            return
        if len(self._runs) == MOST_RUNS:
            self._left_out += 1
            return
        found = self._measured(run)
        if isinstance(found, SteadyRun):
            self._runs.append(found)
        else:
            self._why = found.why

    def _measured(self, run: _Run) -> SteadyRun | NoTone:
        reading = read_tones(np.concatenate(run.pieces), SAMPLE_RATE_HZ, self._highest_hz)
        if isinstance(reading, NoTone):
            return reading
        return SteadyRun(
            start_s=run.start_s, duration_s=run.length * PIECE / SAMPLE_RATE_HZ, reading=reading
        )

    def _explained(self, why: str) -> str:
        if why:
            return why
        if not self._pieces:
            return "there was no carrier for a quarter of a second"
        if self._quiet == self._pieces:
            return f"the modulation never reaches {100.0 * LEAST_AMPLITUDE:g} %"
        loud = self._pieces - self._quiet
        if self._busy >= 0.5 * loud:
            return (
                f"in {100.0 * self._busy / loud:.0f} % of the modulated time the two strongest "
                f"lines hold less than {100.0 * TWO_LINES:.0f} % of the power, as in speech"
            )
        return f"none lasts {FEWEST_PIECES * PIECE / SAMPLE_RATE_HZ:g} s"


def _spectrum(piece: Block, highest_hz: float) -> Block:
    """Return the magnitude of each line between LOWEST_HZ and the highest frequency."""
    lines = fft.rfft((piece - piece.mean()) * _WINDOW)
    bins = np.array([LOWEST_HZ, highest_hz]) * PIECE / SAMPLE_RATE_HZ
    return np.asarray(np.abs(lines[int(bins[0]) : int(bins[1]) + 1]))


def _two_lines_share(spectrum: Block) -> float:
    """Return how much of the power the two strongest lines hold."""
    power = np.square(spectrum)
    total = float(power.sum())
    share = 0.0
    for _ in range(2):
        at = int(np.argmax(power))
        lobe = power[max(0, at - LOBE_BINS) : at + LOBE_BINS + 1]
        share += float(lobe.sum()) / total if total > 0.0 else 0.0
        lobe[:] = 0.0
    return share


def _likeness(one: Block, other: Block) -> float:
    """Return the cosine of the angle between two spectra."""
    return float(np.dot(one, other) / (np.linalg.norm(one) * np.linalg.norm(other)))
