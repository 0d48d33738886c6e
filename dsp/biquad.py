"""Biquads: digital second-order sections at 48 kHz, and one loop that runs a cascade of them.

The digital forms are those of R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad
filter coefficients" (W3C Audio Working Group Note, 2021): the bilinear transform of the analogue
section, warped so that the corner or centre stays where it is.  First-order sections go the same
way, with a zero in the s^2 places.
"""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

# Coefficients of a cascade: how many sections, then five numbers for each.
SECTION_COUNT = 0
FIRST_SECTION = 1
B0, B1, B2, A1, A2 = range(5)  # y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y''
SECTION_SIZE = 5
SECTION_STATE = 2  # the two memories of the transposed direct form II

HIGHEST_CORNER_HZ = 0.49 * SAMPLE_RATE_HZ  # the warped corner runs away towards half the rate
PASS_ALL = np.array([1.0, 0.0, 0.0, 0.0, 0.0])
NEGLIGIBLE = 1e-30  # memories below this become 0, long before slow denormals begin


def digital(section: Section) -> Block:
    """Return (b0, b1, b2, a1, a2) of a section at 48 kHz, shape (5,).

    Raises
    ------
    SettingError
        If the corner or centre lies too near half the sample rate.
    """
    if section.frequency_hz > HIGHEST_CORNER_HZ:
        raise SettingError(
            f"{section.kind} at {section.frequency_hz:g} Hz; "
            f"a filter at 48 kHz reaches {HIGHEST_CORNER_HZ:g} Hz"
        )
    top, bottom = section.analogue()
    # s = k (1 - z^-1) / (1 + z^-1), with k chosen so that the corner keeps its frequency.
    w = 2.0 * math.pi * section.frequency_hz
    k = w / math.tan(w / (2.0 * SAMPLE_RATE_HZ))
    return _bilinear(top, bottom, k)


def all_pass(corner_hz: float, q: float) -> Block:
    """Return (b0, b1, b2, a1, a2) of a second-order all-pass at 48 kHz, shape (5,).

    The phase falls through -180 degrees at ``corner_hz``; ``q`` sets how fast.
    """
    w = 2.0 * math.pi * corner_hz
    k = w / math.tan(w / (2.0 * SAMPLE_RATE_HZ))
    bottom = np.array([1.0, w / q, w * w])
    return _bilinear(bottom * [1.0, -1.0, 1.0], bottom, k)


def _bilinear(top: Block, bottom: Block, k: float) -> Block:
    powers = np.array([[k * k, k, 1.0], [-2.0 * k * k, 0.0, 2.0], [k * k, -k, 1.0]])
    b, a = powers @ top, powers @ bottom
    if top[0] == 0.0 and bottom[0] == 0.0:  # first order: a common factor (1 + z^-1) goes out
        b, a = _without_common_zero(b), _without_common_zero(a)
    return np.asarray(np.concatenate([b, a[1:]]) / a[0])


def _without_common_zero(polynomial: Block) -> Block:
    # p0 + p1 z + p2 z^2 = (1 + z)(p0 + p2 z)
    return np.array([polynomial[0], polynomial[2], 0.0])


def digital_response(sections: Block, frequency_hz: Block) -> NDArray[np.complex128]:
    """Return the complex response of a cascade at 48 kHz, its sections of shape (n, 5)."""
    z1 = np.exp(-2j * np.pi * frequency_hz / SAMPLE_RATE_HZ)
    response = np.ones(len(frequency_hz), dtype=complex)
    for b0, b1, b2, a1, a2 in sections:
        response *= (b0 + z1 * (b1 + z1 * b2)) / (1.0 + z1 * (a1 + z1 * a2))
    return response


def cascade(sections: Sequence[Block] | Block) -> Block:
    """Lay out the coefficients of a cascade for :func:`biquad_kernel`.

    Parameters
    ----------
    sections : sequence of ndarray, each of shape (5,), or ndarray, shape (n, 5)
        As :func:`digital` gives them, first to run first.  None at all passes the block unchanged.

    Returns
    -------
    ndarray, shape (1 + 5 n,)
        One section that passes everything is added where that is quicker.
    """
    filler = [PASS_ALL] * (_count_run(len(sections)) - len(sections))
    return np.concatenate([[float(len(sections) + len(filler))], *sections, *filler])


def cascade_state(sections: int) -> Block:
    """Return the memories of a cascade of so many sections at rest."""
    return np.zeros(SECTION_STATE * _count_run(sections))


def _count_run(sections: int) -> int:
    # Four at once are quicker than two and one after another.
    return sections + 1 if sections % 4 == 3 else sections


@kernel
def biquad_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Run a cascade of sections over the block, in place.

    Sections run four at a time in one pass, because their recursions then overlap; what is left
    over runs in twos and ones.
    """
    count = int(coefficients[SECTION_COUNT])
    done = 0
    while done < count:
        c = coefficients[FIRST_SECTION + SECTION_SIZE * done :]
        s = state[SECTION_STATE * done :]
        if count - done >= 4:
            _four(c, s, block)
            done += 4
        elif count - done >= 2:
            _two(c, s, block)
            done += 2
        else:
            _one(c, s, block)
            done += 1
    for i in range(SECTION_STATE * count):
        if abs(state[i]) < NEGLIGIBLE:
            state[i] = 0.0


@kernel
def _one(c: Block, s: Block, block: Block) -> None:
    b0, b1, b2, a1, a2 = c[0], c[1], c[2], c[3], c[4]
    s1, s2 = s[0], s[1]
    for i in range(block.shape[0]):
        x = block[i]
        y = b0 * x + s1
        s1 = b1 * x + s2 - a1 * y
        s2 = b2 * x - a2 * y
        block[i] = y
    s[0], s[1] = s1, s2


@kernel
def _two(c: Block, s: Block, block: Block) -> None:
    b0, b1, b2, a1, a2 = c[0], c[1], c[2], c[3], c[4]
    d0, d1, d2, e1, e2 = c[5], c[6], c[7], c[8], c[9]
    s1, s2, t1, t2 = s[0], s[1], s[2], s[3]
    for i in range(block.shape[0]):
        x = block[i]
        y = b0 * x + s1
        s1 = b1 * x + s2 - a1 * y
        s2 = b2 * x - a2 * y
        z = d0 * y + t1
        t1 = d1 * y + t2 - e1 * z
        t2 = d2 * y - e2 * z
        block[i] = z
    s[0], s[1], s[2], s[3] = s1, s2, t1, t2


@kernel
def _four(c: Block, s: Block, block: Block) -> None:
    b0, b1, b2, a1, a2 = c[0], c[1], c[2], c[3], c[4]
    d0, d1, d2, e1, e2 = c[5], c[6], c[7], c[8], c[9]
    f0, f1, f2, g1, g2 = c[10], c[11], c[12], c[13], c[14]
    h0, h1, h2, k1, k2 = c[15], c[16], c[17], c[18], c[19]
    s1, s2, t1, t2 = s[0], s[1], s[2], s[3]
    u1, u2, v1, v2 = s[4], s[5], s[6], s[7]
    for i in range(block.shape[0]):
        x = block[i]
        y = b0 * x + s1
        s1 = b1 * x + s2 - a1 * y
        s2 = b2 * x - a2 * y
        x = d0 * y + t1
        t1 = d1 * y + t2 - e1 * x
        t2 = d2 * y - e2 * x
        y = f0 * x + u1
        u1 = f1 * x + u2 - g1 * y
        u2 = f2 * x - g2 * y
        x = h0 * y + v1
        v1 = h1 * y + v2 - k1 * x
        v2 = h2 * y - k2 * x
        block[i] = x
    s[0], s[1], s[2], s[3] = s1, s2, t1, t2
    s[4], s[5], s[6], s[7] = u1, u2, v1, v2
