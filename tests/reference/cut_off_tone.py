"""Closed forms of one tone that is cut off: max(floor, 1 + m cos x); imports nothing of ours.

The Fourier series of 1 + m cos x where it is above zero, a = arccos(-1/m) on either side of the
crest, worked out by hand:

    c0 = (a + m sin a) / pi
    a_n = (2 / pi) integral from 0 to a of (1 + m cos x) cos nx dx

A floor p is the same tone on a smaller carrier: p + (1 - p) max(0, 1 + m / (1 - p) cos x).
"""

import math

from scipy import integrate, optimize


def off_part(m: float, floor: float = 0.0) -> float:
    """Return the part of a cycle in which the envelope is at its floor."""
    over = m / (1.0 - floor)
    return math.acos(1.0 / over) / math.pi if over > 1.0 else 0.0


def carrier(m: float, floor: float = 0.0) -> float:
    """Return the mean of the envelope, 1.0 = unmodulated."""
    over = m / (1.0 - floor)
    if over <= 1.0:
        return 1.0
    a = math.acos(-1.0 / over)
    return floor + (1.0 - floor) * (a + over * math.sin(a)) / math.pi


def line_dbc(m: float, n: int, floor: float = 0.0) -> float:
    """Return the sideband lines at n times the tone, dB below the unmodulated carrier."""
    over = m / (1.0 - floor)
    a = math.acos(-1.0 / over) if over > 1.0 else math.pi
    total, _ = integrate.quad(lambda x: (1.0 + over * math.cos(x)) * math.cos(n * x), 0.0, a)
    return 20.0 * math.log10((1.0 - floor) * 2.0 / math.pi * abs(total) / 2.0)


def diagonal_trough(m: float, tone_hz: float, rc_s: float) -> float:
    """Return the lowest output of a peak detector whose capacitor cannot follow the trough.

    The output leaves 1 + m cos wt where that falls faster than exp(-t / RC), and meets it again
    where both are equal.
    """
    w = 2.0 * math.pi * tone_hz

    def envelope(t: float) -> float:
        return 1.0 + m * math.cos(w * t)

    trough_s = 0.5 / tone_hz

    def excess(t: float) -> float:
        return m * w * math.sin(w * t) - envelope(t) / rc_s

    steep_s = math.acos(-m) / w  # where d/dt ln(1 + m cos wt) is steepest
    if excess(steep_s) <= 0.0:
        return 1.0 - m  # it follows everywhere
    leaves_s = optimize.brentq(excess, 0.0, steep_s)

    def gap(t: float) -> float:
        return envelope(leaves_s) * math.exp((leaves_s - t) / rc_s) - envelope(t)

    return envelope(float(optimize.brentq(gap, trough_s, 2.0 * trough_s + leaves_s)))
