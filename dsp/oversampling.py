"""Four times the sample rate and back, for a stage that bends the waveform.

The samples at the high rate lie in planes: plane p holds every fourth one, from p on.  Planes
keep the loops free of strides, and so SIMD (polyphase filters as in R. E. Crochiere and
L. R. Rabiner, "Multirate Digital Signal Processing", 1983, chapter 3).
"""

import numpy as np

from carrierfloor.dsp.fir import TAPS_A_PASS, add_eight_taps, kaiser_low_pass
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

PHASES = 4
PHASE_TAPS = 16  # of each phase of both filters; the one that goes down has one tap more
UP_TAPS = PHASES * PHASE_TAPS
DOWN_TAPS = PHASES * PHASE_TAPS + 1
UP_PAST = PHASE_TAPS - 1  # samples that must lie before the newest ones
DOWN_PAST = PHASE_TAPS

CORNER_HZ = 16_000.0  # both pass 8 kHz, the top of the low-pass stage, and stop 24 kHz
STOP_DB = 84.0

# Half of each filter, and the half step of a stage that takes the mean of two neighbours.
DELAY_SAMPLES = ((UP_TAPS - 1) + (DOWN_TAPS - 1) + 1) // (2 * PHASES)


def up_taps() -> Block:
    """Return the interpolating filter, phase by phase, last tap first, shape (64,)."""
    taps = PHASES * kaiser_low_pass(UP_TAPS, CORNER_HZ, STOP_DB, PHASES * SAMPLE_RATE_HZ)
    return np.concatenate([taps[phase::PHASES][::-1] for phase in range(PHASES)])


def down_taps() -> Block:
    """Return the decimating filter: the oldest tap, then plane by plane, last first, shape (65,).

    The mean of two neighbours falls towards high frequencies as cos(w/2).  Two of the taps are
    spent on 1 + (1 - cos w)/4, which takes that back to the fourth order.
    """
    low_pass = kaiser_low_pass(DOWN_TAPS - 2, CORNER_HZ, STOP_DB, PHASES * SAMPLE_RATE_HZ)
    taps = np.convolve(low_pass, [-0.125, 1.25, -0.125])
    delays = [0, 3, 2, 1]  # of the newest sample of each plane, behind that of plane 0
    planes = [taps[delay:UP_TAPS:PHASES][::-1] for delay in delays]
    return np.concatenate([taps[-1:], *planes])


@kernel
def raise_rate(taps: Block, inputs: Block, planes: Block, plane_size: int, n: int) -> None:
    """Fill n samples of four planes from ``UP_PAST`` past and n new input samples."""
    y0, y1 = planes[:n], planes[plane_size : plane_size + n]
    y2 = planes[2 * plane_size : 2 * plane_size + n]
    y3 = planes[3 * plane_size : 3 * plane_size + n]
    for i in range(n):
        y0[i] = y1[i] = y2[i] = y3[i] = 0.0
    for first in range(0, PHASE_TAPS, 4):
        x, h = inputs[first:], taps[first:]
        _add_four_taps(h, x[:n], x[1 : 1 + n], x[2 : 2 + n], x[3 : 3 + n], y0, y1, y2, y3)


@kernel
def _add_four_taps(
    h: Block,
    x0: Block,
    x1: Block,
    x2: Block,
    x3: Block,
    y0: Block,
    y1: Block,
    y2: Block,
    y3: Block,
) -> None:
    # All phases in one pass: each sample is loaded once for four products.
    p0, p1, p2, p3 = h[0], h[1], h[2], h[3]
    h = h[PHASE_TAPS:]
    q0, q1, q2, q3 = h[0], h[1], h[2], h[3]
    h = h[PHASE_TAPS:]
    r0, r1, r2, r3 = h[0], h[1], h[2], h[3]
    h = h[PHASE_TAPS:]
    s0, s1, s2, s3 = h[0], h[1], h[2], h[3]
    for i in range(x0.shape[0]):
        a, b, c, d = x0[i], x1[i], x2[i], x3[i]
        y0[i] += p0 * a + p1 * b + p2 * c + p3 * d
        y1[i] += q0 * a + q1 * b + q2 * c + q3 * d
        y2[i] += r0 * a + r1 * b + r2 * c + r3 * d
        y3[i] += s0 * a + s1 * b + s2 * c + s3 * d


@kernel
def lower_rate(taps: Block, planes: Block, plane_size: int, block: Block) -> None:
    """Fill the block, shape (n,), from four planes with ``DOWN_PAST`` past and n new samples."""
    for i in range(block.shape[0]):
        block[i] = taps[0] * planes[i]
    for phase in range(PHASES):
        h = taps[1 + phase * PHASE_TAPS : 1 + (phase + 1) * PHASE_TAPS]
        x = planes[phase * plane_size + (1 if phase == 0 else 0) :]
        for first in range(0, PHASE_TAPS, TAPS_A_PASS):
            add_eight_taps(h[first : first + TAPS_A_PASS], x[first:], 1, block)
