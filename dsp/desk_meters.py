"""What the live desk's meters show, from the stretches that a DeskReader returns.

Time is counted in hops of audio, not by a clock.  If no audio runs, stretches come empty, and
after a while the meters of the moment go to rest.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.desk_reader import Stretch
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.peak_hold import PeakHold
from carrierfloor.dsp.running_density import RunningDensity
from carrierfloor.dsp.stage import HOP, SAMPLE_RATE_HZ, Block

HOP_S = HOP / SAMPLE_RATE_HZ
FLOOR_DBFS = -120.0  # what silence reads
MOMENT_HOPS = round(0.1 / HOP_S)  # the last moment, whose highest peak is shown
HOLD_HOPS = round(2.0 / HOP_S)
INPUT_FALL_DB_PER_S = 20.0  # of a hold that is over; common practice, no source
PEAK_FALL_PCT_PER_S = 50.0
ZEROS_HOPS = round(2.0 / HOP_S)  # as many hops of zeros alone mean a dead input
EMPTY_STRETCHES = 10  # in a row; then no audio runs
COLUMN_SAMPLES = round(0.02 * SAMPLE_RATE_HZ)  # of the envelope's picture
COLUMNS = 400  # 8 s
PAIRS = 400  # of the trapezoid's picture
PAIR_STEP = 5  # every fifth sample: 42 ms in all


@dataclass(frozen=True, kw_only=True)
class DeskReadings:
    """The meters at one moment."""

    input_peak_dbfs: float
    input_hold_dbfs: float
    input_is_silent: bool  # nothing but zeros for at least 2 s
    limiter_db: float  # the limiter's least gain of the last moment, 0 or below
    negative_pct: float  # deepest trough of the last moment, worst of the paths
    positive_pct: float  # highest crest
    negative_hold_pct: float
    positive_hold_pct: float
    negative_max_pct: float  # since the first stretch
    positive_max_pct: float
    density_pct: float  # see RunningDensity; of the first path
    card_peak_dbfs: float  # of the last moment


class DeskMeters:
    """Follow a live desk.

    Parameters
    ----------
    sample_at_full_modulation : float
        The sound-card sample, with sign, that makes +100 %; see ``Rig.level``.

    Attributes
    ----------
    sample_at_full_modulation : float
        May be set when the rig changes.
    """

    def __init__(self, sample_at_full_modulation: float) -> None:
        self.sample_at_full_modulation = sample_at_full_modulation
        self._moment = np.zeros((0, at.READING))
        self._empty = 0
        self._zeros = 0
        self._input = PeakHold(HOLD_HOPS, INPUT_FALL_DB_PER_S * HOP_S, FLOOR_DBFS)
        self._negative = PeakHold(HOLD_HOPS, PEAK_FALL_PCT_PER_S * HOP_S, 0.0)
        self._positive = PeakHold(HOLD_HOPS, PEAK_FALL_PCT_PER_S * HOP_S, 0.0)
        self._negative_max_pct, self._positive_max_pct = 0.0, 0.0
        self._density = RunningDensity()
        self._columns: deque[tuple[float, float]] = deque(maxlen=COLUMNS)
        self._column = np.zeros(0)
        self._card, self._antenna = np.zeros(0), np.zeros(0)

    def feed(self, stretch: Stretch) -> None:
        """Take the next stretch; an empty one counts as well."""
        if not len(stretch.readings):
            self._empty += 1
            return
        self._empty = 0
        self._follow_peaks(stretch.readings, stretch.lost_samples // HOP)
        self._follow_zeros(stretch.readings[:, at.INPUT_PEAK])
        self._moment = np.concatenate([self._moment, stretch.readings])[-MOMENT_HOPS:]
        self._density.feed(stretch.antenna)
        self._follow_columns(stretch.antenna)
        newest = PAIRS * PAIR_STEP
        self._card = np.concatenate([self._card, stretch.card])[-newest:]
        self._antenna = np.concatenate([self._antenna, stretch.antenna])[-newest:]

    def read(self) -> DeskReadings:
        """Return the meters as they are now."""
        return DeskReadings(
            input_peak_dbfs=_dbfs(self._highest(at.INPUT_PEAK)),
            input_hold_dbfs=self._input.value,
            input_is_silent=self._zeros >= ZEROS_HOPS,
            limiter_db=self._limiter_db(),
            negative_pct=100.0 * self._highest(at.NEGATIVE_PEAK),
            positive_pct=100.0 * self._highest(at.POSITIVE_PEAK),
            negative_hold_pct=self._negative.value,
            positive_hold_pct=self._positive.value,
            negative_max_pct=self._negative_max_pct,
            positive_max_pct=self._positive_max_pct,
            density_pct=0.0 if self._is_at_rest else 100.0 * self._density.density,
            card_peak_dbfs=_dbfs(self._highest(at.CARD_PEAK)),
        )

    @property
    def envelope(self) -> tuple[tuple[float, float], ...]:
        """Lowest and highest m of every 20 ms of the last 8 s on the first path, oldest first."""
        return tuple(self._columns)

    @property
    def trapezoid(self) -> tuple[tuple[float, float], ...]:
        """The newest samples as pairs: sound card, 1.0 makes +100 %, and m on the first path."""
        if self._is_at_rest:
            return ()
        card = self._card[::-PAIR_STEP] / self.sample_at_full_modulation
        return tuple(zip(card.tolist(), self._antenna[::-PAIR_STEP].tolist(), strict=True))

    @property
    def _is_at_rest(self) -> bool:
        return self._empty >= EMPTY_STRETCHES

    def _highest(self, column: int) -> float:
        if self._is_at_rest:
            return 0.0
        return float(self._moment[:, column].max(initial=0.0))

    def _limiter_db(self) -> float:
        """Return the least gain; before the first hop, and of hops not yet done, it is 1."""
        if self._is_at_rest:
            return 0.0
        gains = self._moment[:, at.LEAST_GAIN]
        return max(decibels(float(gains.min(initial=1.0))), FLOOR_DBFS)

    def _follow_peaks(self, readings: Block, lost_hops: int) -> None:
        for hold in (self._input, self._negative, self._positive):
            hold.rest(lost_hops)
        self._input.feed([_dbfs(peak) for peak in readings[:, at.INPUT_PEAK].tolist()])
        negative = 100.0 * readings[:, at.NEGATIVE_PEAK]
        positive = 100.0 * readings[:, at.POSITIVE_PEAK]
        self._negative.feed(negative.tolist())
        self._positive.feed(positive.tolist())
        self._negative_max_pct = max(self._negative_max_pct, float(negative.max()))
        self._positive_max_pct = max(self._positive_max_pct, float(positive.max()))

    def _follow_zeros(self, peaks: Block) -> None:
        """Count the hops of zeros since the last sound."""
        sound = np.flatnonzero(peaks)
        self._zeros = len(peaks) - 1 - int(sound[-1]) if len(sound) else self._zeros + len(peaks)

    def _follow_columns(self, antenna: Block) -> None:
        samples = np.concatenate([self._column, antenna])
        whole = len(samples) // COLUMN_SAMPLES
        columns = samples[: whole * COLUMN_SAMPLES].reshape(whole, COLUMN_SAMPLES)
        lowest, highest = columns.min(axis=1).tolist(), columns.max(axis=1).tolist()
        self._columns.extend(zip(lowest, highest, strict=True))
        self._column = samples[whole * COLUMN_SAMPLES :]


def _dbfs(peak: float) -> float:
    return max(decibels(peak), FLOOR_DBFS)
