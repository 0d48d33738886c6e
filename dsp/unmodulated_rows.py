"""Where there is a carrier, where something modulates it, and how much noise lies along it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_rows import Rows
from carrierfloor.dsp.stage import Block

# Rms of m below which there is no modulation: a tenth of that of the strongest rows, within these.
QUIET_PART, LEAST_QUIET_RMS, MOST_QUIET_RMS = 0.1, 0.003, 0.03
STRONG_PCT = 95.0
SCATTER = 0.15  # of the noise power read in 0.1 s, three times its standard deviation
QUARTER = 1.05  # mean of a noise power over its lower quartile, read in 20 ms of 16 kHz
NOISE_ROWS = 500  # 10 s, in which the noise is taken to stay the same
FEWEST_QUIET_ROWS = 8  # a shorter pause may hold nothing but the end of a sound
EDGE_ROWS = 2  # of a pause that are left out: sounds die away
FEWEST_ROWS = 15  # of a carrier between two gaps; less is a click
KEYED = 0.7  # of the usual height: less at the beginning or the end is a carrier not fully up
KEYED_ROWS = 3  # left out there besides
LONGEST_GAP_ROWS = 5  # a gap so short does not make two carriers of one
SMOOTH_ROWS = 5  # 0.1 s: whole periods of 50 and of 60 Hz


@dataclass(frozen=True, kw_only=True)
class DividedRows:
    """What each row of 20 ms holds; all arrays of shape (rows,).

    Parameters
    ----------
    known : ndarray of bool
        Whether there is a carrier.
    modulated : ndarray of bool
        Whether something modulates it; short pauses count.
    unmodulated : ndarray of bool
        Whether nothing modulates it, nor just before or behind.
    noise : ndarray
        Mean square of the noise along the carrier.
    """

    known: NDArray[np.bool_]
    modulated: NDArray[np.bool_]
    unmodulated: NDArray[np.bool_]
    noise: Block


def divide(rows: Rows) -> DividedRows:
    """Tell the rows of a demodulated signal apart."""
    known = _trimmed(_closed(rows.locked), rows.height)
    noise = _noise_across(rows, known)
    modulated, unmodulated = _divided(rows, known, noise)
    return DividedRows(
        known=known,
        modulated=modulated,
        unmodulated=unmodulated,
        noise=_noise_along(rows, unmodulated, noise),
    )


def _closed(locked: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Close gaps that are too short to be one."""
    known = locked.copy()
    for gap in runs(~locked):
        inside = gap.start > 0 and gap.stop < len(locked)
        if inside and gap.stop - gap.start <= LONGEST_GAP_ROWS:
            known[gap] = True
    return known


def _trimmed(known: NDArray[np.bool_], height: Block) -> NDArray[np.bool_]:
    """Leave out where a carrier comes up or goes down, and what is too short to be one."""
    trimmed = np.zeros_like(known)
    for run in runs(known):
        up = np.flatnonzero(height[run] > KEYED * np.median(height[run]))
        first, stop = run.start + up[0] + KEYED_ROWS, run.start + up[-1] + 1 - KEYED_ROWS
        if stop - first >= FEWEST_ROWS:
            trimmed[first:stop] = True
    return trimmed


def _noise_across(rows: Rows, known: NDArray[np.bool_]) -> Block:
    """Return the lower quartile across the carrier: what moves its phase only adds to it."""
    noise = np.zeros(len(rows))
    for start in range(0, len(rows), NOISE_ROWS):
        part = slice(start, start + NOISE_ROWS)
        across = rows.across[part][known[part]]
        noise[part] = QUARTER * np.percentile(across, 25.0) if len(across) else 0.0
    return noise


def _noise_along(rows: Rows, unmodulated: NDArray[np.bool_], across: Block) -> Block:
    """Return the noise along the carrier, where it is alone, if that is less than across.

    A receiver's oscillator that flutters moves the phase, and only the phase.
    """
    noise = across.copy()
    for start in range(0, len(rows), NOISE_ROWS):
        part = slice(start, start + NOISE_ROWS)
        along = rows.along[part][unmodulated[part]]
        if len(along):
            noise[part] = np.minimum(across[part], np.median(along))
    return noise


def _divided(
    rows: Rows, known: NDArray[np.bool_], noise: Block
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where something modulates the carrier, and where surely nothing does."""
    if not known.any():
        return known.copy(), known.copy()
    kernel = np.ones(SMOOTH_ROWS)
    around = np.convolve(np.ones(len(rows)), kernel, "same")[: len(rows)]
    along = np.convolve(rows.along, kernel, "same")[: len(rows)] / around
    floor = noise * (1.0 + SCATTER)
    there = known & (rows.height > 0.0)  # samples that were lost leave rows of nothing
    if not there.any():
        return np.zeros_like(known), np.zeros_like(known)
    depth = np.sqrt(np.maximum(along - floor, 0.0)[there]) / rows.height[there]
    strong = float(np.percentile(depth, STRONG_PCT))
    limit = min(max(QUIET_PART * strong, LEAST_QUIET_RMS), MOST_QUIET_RMS)
    allowed = floor + np.square(limit * rows.height)
    quiet = known & (along < allowed) & (rows.along < 4.0 * allowed)
    modulated = known & ~quiet & (rows.along > allowed)
    for gap in runs(~modulated):
        between = gap.start > 0 and gap.stop < len(modulated)
        if between and gap.stop - gap.start < FEWEST_QUIET_ROWS:
            modulated[gap] = known[gap]
    for run in runs(quiet):
        if run.stop - run.start < FEWEST_QUIET_ROWS:
            quiet[run] = False
        else:
            quiet[run.start : run.start + EDGE_ROWS] = False
            quiet[run.stop - EDGE_ROWS : run.stop] = False
    return modulated, quiet


def runs(flags: NDArray[np.bool_]) -> list[slice]:
    """Return the runs of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]
