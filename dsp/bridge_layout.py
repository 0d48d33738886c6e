"""Where everything of a bridge lies in its two flat arrays, and the words both sides share.

Every word is written by one side only.  The writer puts samples into the ring, then a mark (how
many were written by when), then the mark's number; the reader takes them in the opposite order.
Counters are whole numbers in float64, exact to 2**53: thousands of years.
"""

from typing import Any

from numba.core import types
from numba.extending import intrinsic

from carrierfloor.dsp.kernel import kernel

DIRECT, FIXED, ADAPTIVE = 0.0, 1.0, 2.0

# Coefficients.  A tick is the unit in which a place between two samples is counted.
MODE, TAPS, PHASES, TICKS_A_SAMPLE, STEP, RATIO = range(6)
WRITE_RATE, READ_RATE = 6, 7  # in hertz
TARGET = 8  # samples of the writer
RAMP = 9  # samples of the reader
TABLE = 16
TABLE_SIZE = 13_000
BRIDGE_COEFFICIENTS_SIZE = TABLE + TABLE_SIZE + 256  # a last row beyond the phases

RING = 65_536  # a power of two
MASK = RING - 1
MAX_BLOCK = 8_192  # what either side may move at once
MAX_TAPS = 240
MAX_TARGET = 16_384
CHUNK = 128  # what the reader works out at once
SCRATCH_SIZE = 6 * CHUNK + MAX_TAPS + 8
# Farther behind, the reader could be overtaken by the block that is just being written.
MAX_FILL = RING - MAX_BLOCK - SCRATCH_SIZE

# State, the writer's words: how much is written, in all and at most at once, and the marks.
WRITTEN, LARGEST_WRITE = 0, 1
# Blocks that come at once are a burst: the newest one so far, and the one before.
BURST, LAST_BURST = 2, 3
NEWEST_MARK = 8
MARKS = 8
FIRST_MARK = 16  # pairs: samples written, and when
# The reader's words.  The next output lies TICKS after sample INDEX; samples before CLEARED
# count as zeros; a fade uses no sample from END on; no start reaches back before FLOOR.
INDEX, TICKS, CLEARED, END, FLOOR, PHASE, GAIN, LARGEST_READ = range(40, 48)
# The reader's clock: how long it has watched since the last start, its age, and what it knows.
WATCHED_S, WATCHED_SUM, AGE_S, OFFSET, SMOOTH_1, SMOOTH_2, INTEGRAL, CORRECTION = range(48, 56)
DRIFT, FILL_MS, TARGET_MS, GLITCHES, LOCKED, LOCKED_S, TOO_FULL_S, LEAD_NOW = range(56, 64)
SCRATCH = 64
SAMPLES = SCRATCH + SCRATCH_SIZE
BRIDGE_STATE_SIZE = SAMPLES + RING

SILENT, PLAYING, FADING = 0.0, 1.0, 2.0  # what PHASE says


@intrinsic  # type: ignore[untyped-decorator]
def fence(typing_context: Any) -> Any:
    """Keep loads and stores before this line before those after it, on any processor."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        builder.fence("seq_cst")
        return context.get_dummy_value()

    return types.none(), generate


@kernel
def whole(value: float) -> int:
    """Return a word as a whole number; nonsense as 0, so that it never becomes a wild index."""
    if -9e15 < value < 9e15:
        return int(value)
    return 0
