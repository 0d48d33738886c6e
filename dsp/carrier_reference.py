"""The height of the carrier without modulation, at every moment of a recording.

Peaks are measured against the unmodulated carrier (US Navy, NEETS module 21, "Test methods and
practices").  It is found where nothing modulates it: before and behind the speech, in its pauses.
In between it runs straight from one such stretch to the next, so that what modulation does to the
carrier, its shift, is left to be seen.  A signal that fades between them cannot be treated so: then
the mean of the envelope is followed.  The mean is the carrier as long as the modulation has none
and never cuts the carrier off; what a cut-off adds to it is taken out if it is known.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_rows import ROW, Rows
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.unmodulated_rows import SMOOTH_ROWS, divide, runs

UNMODULATED, MEAN = "unmodulated carrier", "mean"

LONGEST_PIECE_ROWS = 25  # of a pause that give one reading
MEAN_ROWS = 31  # 0.6 s: the mean envelope that follows a fading signal
FADES_STEP = 0.015  # a reading that is so far beside the line through its neighbours: it fades
FADED = 0.5  # of the median height: a signal that fades so far has too much noise on it
FADES_SPREAD = 0.15  # of the mean envelope around the line, where it is modulated
FEWEST_COMPARED = 50  # rows, to tell
SMOOTH_READINGS_ROWS = 150  # 3 s: readings nearer than that are averaged


@dataclass(frozen=True, kw_only=True)
class CarrierReference:
    """What peaks are measured against.

    Parameters
    ----------
    height : ndarray, shape (rows,)
        Of the carrier without modulation, one for each row of 20 ms; 0 where there is none.
    known : ndarray of bool, shape (rows,)
        Whether there is a carrier.
    modulated : ndarray of bool, shape (rows,)
        Whether something modulates it there; short pauses count.
    unmodulated : ndarray of bool, shape (rows,)
        Whether nothing modulates it there, nor just before or behind.
    measured : ndarray of bool, shape (rows,)
        Whether the height comes from stretches without modulation; from the mean elsewhere.
    followed : ndarray of bool, shape (rows,)
        Whether the mean was followed there, because the signal fades.
    faded : ndarray of bool, shape (rows,)
        Whether it has faded so far that nothing is measured there; not known then.
    noise : ndarray, shape (rows,)
        Mean square of the noise along the carrier.
    error : float
        Rms by which the carrier, where it is alone, lies beside the height, over it.
    """

    height: Block
    known: NDArray[np.bool_]
    modulated: NDArray[np.bool_]
    unmodulated: NDArray[np.bool_]
    measured: NDArray[np.bool_]
    followed: NDArray[np.bool_]
    faded: NDArray[np.bool_]
    noise: Block
    error: float

    @property
    def kind(self) -> str:
        """``UNMODULATED``, or ``MEAN`` if some peaks can be measured against the mean only."""
        return UNMODULATED if self.measured[self.modulated].all() and self.measured.any() else MEAN

    @property
    def is_followed(self) -> bool:
        """Whether the mean was followed anywhere, so that a carrier shift cannot be seen."""
        return bool(self.followed.any())

    def at(self, first: int, samples: int) -> Block:
        """Return the height at samples of 48 kHz, shape (samples,); 1.0 where there is none."""
        low, high = max(0, first // ROW - 1), (first + samples - 1) // ROW + 2
        height = np.where(self.known[low:high], self.height[low:high], 0.0)
        if not len(height):
            return np.ones(samples)
        # Beside the first and the last row of a carrier it is taken to stay the same.
        around = np.pad(height, 1)
        height = np.where(height > 0.0, height, np.maximum(around[:-2], around[2:]))
        height = np.where(height > 0.0, height, 1.0)
        places = (np.arange(first, first + samples) - (ROW - 1) / 2.0) / ROW - low
        return np.asarray(np.interp(places, np.arange(len(height)), height))

    def noise_rms(self, first: int, samples: int) -> float:
        """Return the rms of the noise along the carrier around samples of 48 kHz, carrier = 1."""
        part = slice(first // ROW, (first + samples - 1) // ROW + 1)
        known = self.known[part]
        if not known.any():
            return 0.0
        ratio = self.noise[part][known] / np.square(self.height[part][known])
        return float(np.sqrt(ratio.mean()))

    @property
    def relative_noise_rms(self) -> float:
        """Rms of the noise along the carrier, carrier = 1, over all rows with a carrier."""
        return self.noise_rms(0, ROW * len(self.known))

    def change_from(self, other: "CarrierReference") -> float:
        """Return the largest change of height from another reference, over its height."""
        both = self.known & other.known
        return float(np.abs(self.height[both] / other.height[both] - 1.0).max(initial=0.0))

    def scaled(self, factor: float) -> "CarrierReference":
        """Return the same with all heights times a factor."""
        return replace(self, height=factor * self.height)


def find_reference(rows: Rows, raised: Block | None = None) -> CarrierReference:
    """Find the carrier without modulation.

    Parameters
    ----------
    rows : Rows
        Of the demodulated signal.
    raised : ndarray, shape (rows,), optional
        By how much cut-offs raised the mean of each row.
    """
    divided = divide(rows)
    known, unmodulated = divided.known, divided.unmodulated
    height, lifted = np.zeros(len(rows)), np.zeros(len(rows)) if raised is None else raised
    measured, followed, faded = (np.zeros(len(rows), dtype=bool) for _ in range(3))
    for part in runs(known):
        mean = _moving_mean(rows.height[part] - lifted[part])
        at, heights = _readings(rows.height[part], unmodulated[part])
        if len(at):
            line = np.interp(np.arange(len(mean)), at, _smoothed(at, heights))
            fades = _is_uneven(at, heights) or _wanders(mean / line, unmodulated[part])
            height[part], followed[part] = (mean if fades else line), fades
            measured[part] = True
            faded[part] = fades & (mean < FADED * np.median(mean))
        else:
            steady = _spread(mean / mean.mean()) < FADES_SPREAD / 4.0
            height[part] = mean.mean() if steady else mean
            followed[part] = not steady
            faded[part] = (not steady) & (mean < FADED * np.median(mean))
    known, unmodulated = known & ~faded, unmodulated & ~faded
    return CarrierReference(
        height=height,
        known=known,
        modulated=divided.modulated & known,
        unmodulated=unmodulated,
        measured=measured,
        followed=followed,
        faded=faded,
        noise=divided.noise,
        error=_error(rows.height, height, unmodulated & known),
    )


def _readings(height: Block, unmodulated: NDArray[np.bool_]) -> tuple[Block, Block]:
    """Return rows and heights of the carrier in pieces of the pauses."""
    at, heights = [], []
    for run in runs(unmodulated):
        pieces = -(-(run.stop - run.start) // LONGEST_PIECE_ROWS)
        for piece in np.array_split(np.arange(run.start, run.stop), pieces):
            at.append(float(piece.mean()))
            heights.append(float(height[piece].mean()))
    return np.array(at), np.array(heights)


def _smoothed(at: Block, heights: Block) -> Block:
    """Return the value at each reading of the straight line that fits those around it best."""
    smooth = np.empty(len(at))
    for number, here in enumerate(at):
        first, last = np.searchsorted(
            at, (here - SMOOTH_READINGS_ROWS, here + SMOOTH_READINGS_ROWS)
        )
        away, near = at[first:last] - here, heights[first:last]
        weights = 1.0 - np.square(away / (SMOOTH_READINGS_ROWS + 1.0))
        total, middle = weights.sum(), np.dot(weights, away)
        squares = np.dot(weights, np.square(away)) * total - middle**2
        mean, product = np.dot(weights, near), np.dot(weights, away * near)
        slope = (total * product - middle * mean) / squares if squares > 1e-6 * total**2 else 0.0
        smooth[number] = (mean - slope * middle) / total
    return smooth


def _is_uneven(at: Block, heights: Block) -> bool:
    """Tell whether readings lie beside the straight line through their neighbours.

    Of only two, whether they differ.
    """
    if len(at) < 2:
        return False
    if len(at) == 2:
        return bool(abs(heights[1] / heights[0] - 1.0) > 2.0 * FADES_STEP)
    part = (at[1:-1] - at[:-2]) / (at[2:] - at[:-2])
    straight = heights[:-2] + part * (heights[2:] - heights[:-2])
    return bool(np.sqrt(np.mean(np.square(heights[1:-1] / straight - 1.0))) > FADES_STEP)


def _wanders(ratio: Block, unmodulated: NDArray[np.bool_]) -> bool:
    """Tell whether the mean over the line changes by more than modulation could make it."""
    near = np.convolve(unmodulated, np.ones(MEAN_ROWS), "same") > 0.0
    compared = ratio[~near[: len(ratio)]]
    return len(compared) >= FEWEST_COMPARED and _spread(compared) > FADES_SPREAD


def _moving_mean(height: Block) -> Block:
    """Return, at each row, the parabola through those around it, under a Hann window.

    A straight line lies far above the bottom of a deep fade: in simulated ones of 20 dB every 5 s
    by 11 %, the parabola by 2.4 %, with the same scatter by what modulation does to the rows.
    """
    if len(height) < MEAN_ROWS:
        return np.full(len(height), height.mean())
    window = np.hanning(MEAN_ROWS + 2)[1:-1]
    away = 2.0 * (np.arange(MEAN_ROWS) - MEAN_ROWS // 2) / MEAN_ROWS

    def summed(values: Block, power: int) -> Block:
        return np.convolve(values, (window * away**power)[::-1], "same")

    moments = [summed(np.ones(len(height)), power) for power in range(5)]
    left = np.array([[moments[row + column] for column in range(3)] for row in range(3)])
    right = np.array([summed(height, power) for power in range(3)])
    fitted = np.linalg.solve(np.moveaxis(left, -1, 0), right.T[..., np.newaxis])
    return np.asarray(fitted[:, 0, 0])


def _error(height: Block, found: Block, unmodulated: NDArray[np.bool_]) -> float:
    """Return the rms of what the slow part of the carrier's height has beside what was found."""
    if not unmodulated.any():
        return 0.0
    slow = np.convolve(height, np.ones(SMOOTH_ROWS) / SMOOTH_ROWS, "same")[: len(height)]
    alone = np.convolve(unmodulated, np.ones(SMOOTH_ROWS), "same")[: len(height)]
    inside = unmodulated & (alone > SMOOTH_ROWS - 0.5)
    if not inside.any():
        return 0.0
    return float(np.sqrt(np.mean(np.square(slow[inside] / found[inside] - 1.0))))


def _spread(values: Block) -> float:
    """Return the range that nine tenths of the values lie in."""
    low, high = np.percentile(values, [5.0, 95.0])
    return float(high - low)
