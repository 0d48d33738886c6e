"""The clock of an adaptive bridge: a loop that holds the ring's fill at its target.

The fill is what has been written, plus what the writer's device has made since its last block
(time since then times its rate; without that the size of the blocks would show as jitter), less
what has been read.  Let it differ from the target by e samples, let the writer's clock be fast by
d and the reader be told to read faster by c, both as parts of 1; then ``de/dt = rate (d - c)``.
With ``c = Kp e + integral of Ki e`` and ``Kp = 2 w / rate``, ``Ki = w**2 / rate`` both poles lie
at -w (own derivation; the idea of such a loop is F. Adriaensen's, "Controlling adaptive
resampling", Linux Audio Conference 2012, from memory).  Late callbacks make e noisy, so two
first-order low-passes at 8 w smooth it first.

The loop starts fast and slows down: with ``w = 4 / t``, ``e'' + 8 e' / t + 16 e / t**2 = 0``, whose
solutions shrink as ``t**-3.5``.  From 8 s to 67 s that leaves a thousandth; then w stays.

Where the first fill was taken on a late callback, e is off by its lateness.  So the loop watches
for a second, takes the mean for its target, and leads that slowly to the wanted one.
"""

from carrierfloor.dsp.bridge_filter import used_by
from carrierfloor.dsp.bridge_layout import (
    AGE_S,
    BURST,
    CORRECTION,
    DRIFT,
    FILL_MS,
    FLOOR,
    GAIN,
    INDEX,
    INTEGRAL,
    LARGEST_READ,
    LARGEST_WRITE,
    LAST_BURST,
    LEAD_NOW,
    LOCKED,
    LOCKED_S,
    MAX_FILL,
    OFFSET,
    PHASE,
    PLAYING,
    RATIO,
    READ_RATE,
    SMOOTH_1,
    SMOOTH_2,
    TARGET,
    TARGET_MS,
    TICKS,
    TOO_FULL_S,
    WATCHED_S,
    WATCHED_SUM,
    WRITE_RATE,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

MOST = 1e-3  # the correction never passes 1000 ppm
FASTEST, SLOWEST = 0.5, 0.06  # of the loop's w, rad/s
FIRST_AGE_S = 8.0  # where 4 / t is FASTEST
AGE_AFTER_STOP_S = 30.0  # the drift is known by then, if it is the same device
WATCH_S = 1.0
LEAD = 1e-4  # how fast at most the watched fill is led to the target, as a part of the rate
LEAD_S = 20.0  # near the end it takes about this long
LEAD_RISE_S = 2.0  # the lead comes and goes so slowly that nobody hears the pitch move
FULL_S = 0.02  # the least excess that counts as too full
FULL_FOR_S = 0.1  # when it lasts so long; one late callback is no reason
SHOWN_S = 10.0  # the displayed drift is a mean over about this long
LOCK_S = 0.001  # near enough
LOCK_AFTER_S = 5.0  # when it has been so for so long
LOCK_AGE_S = 25.0  # and the loop is as slow as this makes it
MARGIN_S = 0.004  # the least target is the largest blocks and this for late callbacks
STALL_S = 0.01  # a writer later than this past 1.5 blocks is taken to have stopped


@kernel
def target_of(coefficients: Block, state: Block) -> float:
    """Return the fill to aim at: the wanted one, or what the blocks seen so far need."""
    blocks = state[LARGEST_WRITE] + state[LARGEST_READ] * coefficients[RATIO]
    target = max(coefficients[TARGET], blocks + MARGIN_S * coefficients[WRITE_RATE])
    state[TARGET_MS] = 1e3 * target / coefficients[WRITE_RATE]
    return float(min(target, MAX_FILL / 2))


@kernel
def samples_since(coefficients: Block, state: Block, elapsed_s: float) -> float:
    """Return how many samples the writer's device has made since it last wrote."""
    rate = coefficients[WRITE_RATE]
    if elapsed_s > 0.0:  # not so for a clock that jumps back or says NaN
        most = max(state[LARGEST_WRITE], state[BURST], state[LAST_BURST])
        return float(min(elapsed_s * rate, 1.5 * most + STALL_S * rate))
    return 0.0


@kernel
def step_of(coefficients: Block, state: Block) -> float:
    """Return how many samples to go on for each output."""
    correction = state[CORRECTION]
    if -MOST <= correction <= MOST:
        return float(coefficients[RATIO] * (1.0 + correction))
    return float(coefficients[RATIO])


@kernel
def start(coefficients: Block, state: Block, place: float, written: int, count: int) -> None:
    """Begin to play at a place in the stream, if all of the next block is there."""
    if not place >= state[FLOOR]:
        return
    state[INDEX] = float(int(place))
    state[TICKS] = place - int(place)
    step = coefficients[RATIO] * (1.0 + MOST)
    if used_by(coefficients, state, step, count) > written:
        return
    state[PHASE], state[GAIN] = PLAYING, 0.0
    state[AGE_S] = min(state[AGE_S], AGE_AFTER_STOP_S) if state[AGE_S] > 0.0 else FIRST_AGE_S
    state[WATCHED_S] = state[WATCHED_SUM] = state[OFFSET] = 0.0
    state[SMOOTH_1] = state[SMOOTH_2] = 0.0
    state[LOCKED] = state[LOCKED_S] = state[TOO_FULL_S] = state[LEAD_NOW] = 0.0
    state[CORRECTION] = state[INTEGRAL]


@kernel
def follow(coefficients: Block, state: Block, made: float, target: float, count: int) -> bool:
    """Work out the correction for the next block; tell whether the ring stays far too full."""
    rate = coefficients[WRITE_RATE]
    block_s = count / coefficients[READ_RATE]
    error = made - state[INDEX] - state[TICKS] - target
    if abs(error) > max(target, FULL_S * rate):  # nothing to learn from: a stall, or a lie
        state[TOO_FULL_S] += block_s
        return bool(state[TOO_FULL_S] >= FULL_FOR_S or error > MAX_FILL - target)
    state[TOO_FULL_S] = 0.0
    if state[WATCHED_S] < WATCH_S:
        _watch(state, error, block_s)
    else:
        _correct(state, error - state[OFFSET], rate, block_s)
    state[FILL_MS] = 1e3 * (target + state[OFFSET] + state[SMOOTH_2]) / rate
    return False


@kernel
def _watch(state: Block, error: float, block_s: float) -> None:
    state[WATCHED_S] += block_s
    state[WATCHED_SUM] += error * block_s
    if state[WATCHED_S] >= WATCH_S:
        state[OFFSET] = state[WATCHED_SUM] / state[WATCHED_S]


@kernel
def _correct(state: Block, error: float, rate: float, block_s: float) -> None:
    state[AGE_S] += block_s
    w = min(max(4.0 / state[AGE_S], SLOWEST), FASTEST)
    part = 8.0 * w * block_s / (1.0 + 8.0 * w * block_s)
    state[SMOOTH_1] += part * (error - state[SMOOTH_1])
    state[SMOOTH_2] += part * (state[SMOOTH_1] - state[SMOOTH_2])
    smooth = state[SMOOTH_2]
    integral = state[INTEGRAL] + w * w / rate * smooth * block_s
    state[INTEGRAL] = min(max(integral, -MOST), MOST)
    wanted = min(max(state[OFFSET] / (rate * LEAD_S), -LEAD), LEAD)
    state[LEAD_NOW] += block_s / (LEAD_RISE_S + block_s) * (wanted - state[LEAD_NOW])
    lead = state[LEAD_NOW]
    state[OFFSET] -= lead * rate * block_s
    correction = state[INTEGRAL] + 2.0 * w / rate * smooth + lead
    state[CORRECTION] = min(max(correction, -MOST), MOST)
    shown_s = SHOWN_S * SLOWEST / w
    state[DRIFT] += block_s / (shown_s + block_s) * (state[INTEGRAL] - state[DRIFT])
    state[LOCKED_S] = state[LOCKED_S] + block_s if abs(smooth) < LOCK_S * rate else 0.0
    old_enough = state[AGE_S] >= LOCK_AGE_S
    state[LOCKED] = 1.0 if old_enough and state[LOCKED_S] >= LOCK_AFTER_S else 0.0
