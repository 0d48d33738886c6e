"""The filter of a bridge: from the ring to samples at the reader's rate."""

from carrierfloor.dsp.bridge_layout import (
    CLEARED,
    DIRECT,
    FADING,
    GAIN,
    INDEX,
    MASK,
    MAX_TAPS,
    MODE,
    PHASE,
    PHASES,
    PLAYING,
    RAMP,
    RING,
    SAMPLES,
    SCRATCH,
    SCRATCH_SIZE,
    SILENT,
    STEP,
    TABLE,
    TAPS,
    TICKS,
    TICKS_A_SAMPLE,
    whole,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block


@kernel
def samples_in(coefficients: Block, ticks: float) -> int:
    """Return the whole samples in a number of ticks, which are whole unless there is one each.

    Half a tick keeps the division of whole numbers off the edges, so it is exact.
    """
    each = coefficients[TICKS_A_SAMPLE]
    edge = 0.5 if each > 1.0 else 0.0
    return whole((ticks + edge) / each)


@kernel
def used_by(coefficients: Block, state: Block, step: float, count: int) -> int:
    """Return how many samples must have been written in all for the next ``count`` outputs."""
    if count <= 0:
        return 0
    last = samples_in(coefficients, state[TICKS] + (count - 1) * step)
    return whole(state[INDEX]) + last + 1


@kernel
def outputs_within(coefficients: Block, state: Block, written: int) -> int:
    """Return how many outputs so many samples are enough for, where ticks are whole."""
    last_tick = (written - whole(state[INDEX])) * coefficients[TICKS_A_SAMPLE] - 1.0
    if last_tick < state[TICKS]:
        return 0
    return whole((last_tick - state[TICKS] + 0.5) / coefficients[STEP]) + 1


@kernel
def play(coefficients: Block, state: Block, step: float, end: int, out: Block) -> None:
    """Make the next outputs, at most ``CHUNK``, of the samples before ``end``; move on."""
    index = whole(state[INDEX])
    if coefficients[MODE] == DIRECT:
        gather(state, index, end, out)
        state[INDEX] = float(index + out.shape[0])
        return
    each = coefficients[TICKS_A_SAMPLE]
    ticks = state[TICKS] if 0.0 <= state[TICKS] <= each else 0.0
    taps = min(whole(coefficients[TAPS]), MAX_TAPS)
    used = samples_in(coefficients, ticks + (out.shape[0] - 1) * step) + taps
    samples = state[SCRATCH : SCRATCH + min(used, SCRATCH_SIZE)]
    gather(state, index - taps + 1, end, samples)
    if coefficients[PHASES] == each:
        _filter_on_phases(coefficients, samples, ticks, step, out)
    else:
        _filter_between_phases(coefficients, samples, ticks, step, out)
    ticks += out.shape[0] * step
    passed = samples_in(coefficients, ticks)
    state[INDEX] = float(index + passed)
    state[TICKS] = ticks - passed * each


@kernel
def gather(state: Block, first: int, end: int, samples: Block) -> None:
    """Copy samples from number ``first`` on out of the ring.

    Those before the last clearing are zeros.  From ``end`` on come the ones before it, backwards.
    """
    count = samples.shape[0]
    cleared = whole(state[CLEARED])
    done = 0
    while done < count:
        place = (first + done) & MASK
        size = min(count - done, RING - place)
        ring = state[SAMPLES + place : SAMPLES + place + size]
        part = samples[done : done + size]
        for i in range(size):
            part[i] = ring[i]
        done += size
    for i in range(min(count, max(0, end - first)), count):
        mirrored = 2 * end - 1 - first - i
        samples[i] = state[SAMPLES + (mirrored & MASK)] if mirrored >= cleared else 0.0
    for i in range(min(count, max(0, cleared - first))):
        samples[i] = 0.0


@kernel
def _filter_on_phases(
    coefficients: Block, samples: Block, ticks: float, step: float, out: Block
) -> None:
    """Take outputs that each fall on a phase of the table.

    Slices of eight, made and used in the same function: a slice passed on costs more than a tap.
    """
    taps = whole(coefficients[TAPS])
    table = coefficients[TABLE:]
    each = coefficients[TICKS_A_SAMPLE]
    room = samples.shape[0] - taps
    for i in range(out.shape[0]):
        tick = ticks + i * step
        place = min(samples_in(coefficients, tick), room)
        row = taps * whole(tick - place * each + 0.5)
        s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
        for k in range(0, taps, 8):
            h, x = table[row + k : row + k + 8], samples[place + k : place + k + 8]
            s0, s1, s2, s3 = s0 + h[0] * x[0], s1 + h[1] * x[1], s2 + h[2] * x[2], s3 + h[3] * x[3]
            s4, s5, s6, s7 = s4 + h[4] * x[4], s5 + h[5] * x[5], s6 + h[6] * x[6], s7 + h[7] * x[7]
        out[i] = ((s0 + s4) + (s1 + s5)) + ((s2 + s6) + (s3 + s7))


@kernel
def _filter_between_phases(
    coefficients: Block, samples: Block, ticks: float, step: float, out: Block
) -> None:
    """Take outputs that fall between two phases of the table: every tap lies on their line."""
    taps = whole(coefficients[TAPS])
    table = coefficients[TABLE:]
    each, phases = coefficients[TICKS_A_SAMPLE], coefficients[PHASES]
    room = samples.shape[0] - taps
    for i in range(out.shape[0]):
        tick = ticks + i * step
        place = min(samples_in(coefficients, tick), room)
        phase = (tick - place * each) / each * phases
        nearest = min(whole(phase), whole(phases) - 1)
        row, w = taps * nearest, phase - nearest
        s0 = s1 = s2 = s3 = s4 = s5 = s6 = s7 = 0.0
        for k in range(0, taps, 8):
            h, x = table[row + k : row + k + 8], samples[place + k : place + k + 8]
            g = table[row + taps + k : row + taps + k + 8]
            s0 += (h[0] + w * (g[0] - h[0])) * x[0]
            s1 += (h[1] + w * (g[1] - h[1])) * x[1]
            s2 += (h[2] + w * (g[2] - h[2])) * x[2]
            s3 += (h[3] + w * (g[3] - h[3])) * x[3]
            s4 += (h[4] + w * (g[4] - h[4])) * x[4]
            s5 += (h[5] + w * (g[5] - h[5])) * x[5]
            s6 += (h[6] + w * (g[6] - h[6])) * x[6]
            s7 += (h[7] + w * (g[7] - h[7])) * x[7]
        out[i] = ((s0 + s4) + (s1 + s5)) + ((s2 + s6) + (s3 + s7))


@kernel
def fade(coefficients: Block, state: Block, piece: Block) -> None:
    """Move the gain towards 1 when playing, towards 0 when fading; at 0 fall silent."""
    gain, step = state[GAIN], 1.0 / coefficients[RAMP]
    if state[PHASE] == PLAYING and gain >= 1.0:
        return
    if state[PHASE] == FADING:
        step = -step
    for i in range(piece.shape[0]):
        gain = min(gain + step, 1.0)
        if gain > 0.0:
            piece[i] *= gain
        else:
            piece[i] = 0.0
    state[GAIN] = max(gain, 0.0)
    if gain <= 0.0:
        state[PHASE] = SILENT
