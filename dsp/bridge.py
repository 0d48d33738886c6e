"""A bridge between two clocks: a mono stream goes in at one sample rate and comes out at another.

One side writes, the other reads, from two threads or from the same one; neither ever waits.

*Direct*: the rates are equal and so is the clock.  Samples pass unchanged.

*Fixed*: two rates of one clock.  Output k lies at the time ``k M / L`` of the input, with
``M / L`` the rates' ratio in lowest terms, counted in whole numbers, so no error ever adds up.
:func:`~carrierfloor.dsp.bridge_kernel.bridge_needs` says how much to write before a read.

*Adaptive*: two clocks.  What lies in the ring is kept at a target by reading a little faster or
slower than the nominal rates say, see ``dsp/bridge_clock.py``.

The filter between the rates is a sinc under Kaiser's window (J. F. Kaiser, "Nonrecursive digital
filter design using the I0-sinh window function", Proc. IEEE Int. Symp. Circuits and Systems,
1974), half down at half of the lower rate and flat to 0.8 of it, in a table of phases.  Between
two phases it is interpolated linearly, where the ratio does not fall on them.
"""

import math
from collections.abc import Mapping

import numpy as np

from carrierfloor.dsp.bridge_layout import (
    ADAPTIVE,
    BRIDGE_STATE_SIZE,
    CLEARED,
    DIRECT,
    DRIFT,
    FILL_MS,
    FIRST_MARK,
    FIXED,
    GLITCHES,
    LOCKED,
    MAX_TARGET,
    MODE,
    PHASES,
    RAMP,
    RATIO,
    READ_RATE,
    STEP,
    TABLE,
    TABLE_SIZE,
    TAPS,
    TARGET,
    TARGET_MS,
    TICKS_A_SAMPLE,
    WRITE_RATE,
    WRITTEN,
)
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import Block

LOWEST_RATE_HZ = 8_000
HIGHEST_RATE_HZ = 192_000
MAX_RATIO = 6  # from 48 kHz to 8 kHz
BASE_TAPS = 40  # at the lower of the two rates
BASE_PHASES = 256  # so fine that what linear interpolation adds stays 105 dB down (measured)
STOP_DB = 110.0
RAMP_S = 0.004  # from silence to full level and back


def bridge_coefficients(
    write_rate_hz: float, read_rate_hz: float, *, adaptive: bool, target_s: float = 0.0
) -> Block:
    """Design a bridge.

    Parameters
    ----------
    write_rate_hz, read_rate_hz : float
        The nominal rates, whole numbers of hertz.
    adaptive : bool
        Whether the two sides have clocks of their own.
    target_s : float
        For two clocks: how much audio to keep in the ring.  It must cover a block of each side
        and the lateness of their callbacks; it is never taken as less than the largest blocks
        seen and 4 ms.

    Returns
    -------
    ndarray of float64, shape (n,)
        What the kernels only read; n is at most ``BRIDGE_COEFFICIENTS_SIZE``.

    Raises
    ------
    SettingError
        When a rate or the target is out of range.
    """
    write_hz, read_hz = _checked_rate(write_rate_hz), _checked_rate(read_rate_hz)
    _check_ratio(write_hz, read_hz)
    _check_target(target_s, write_hz)
    common_hz = math.gcd(write_hz, read_hz)
    mode = ADAPTIVE if adaptive else FIXED if write_hz != read_hz else DIRECT
    head = np.zeros(TABLE)
    head[MODE] = mode
    head[RATIO] = write_hz / read_hz
    head[WRITE_RATE], head[READ_RATE] = write_hz, read_hz
    head[TICKS_A_SAMPLE] = 1.0 if adaptive else read_hz // common_hz
    head[STEP] = head[RATIO] if adaptive else write_hz // common_hz
    head[TARGET] = target_s * write_hz
    head[RAMP] = RAMP_S * read_hz
    if mode == DIRECT:
        return head
    taps = 8 * math.ceil(BASE_TAPS * max(1.0, head[RATIO]) / 8)
    phases = math.ceil(BASE_PHASES / max(1.0, head[RATIO]))
    if mode == FIXED and head[TICKS_A_SAMPLE] * taps <= TABLE_SIZE:
        phases = int(head[TICKS_A_SAMPLE])
    head[TAPS], head[PHASES] = taps, phases
    return np.concatenate([head, _table(taps, phases, min(1.0, read_hz / write_hz)).ravel()])


def _table(taps: int, phases: int, cutoff: float) -> Block:
    """Return the filter at each phase and at the first of the next sample, oldest tap first.

    The cut-off is a fraction of half the rate at which the samples come.
    """
    beta = 0.1102 * (STOP_DB - 8.7)  # Kaiser 1974, for more than 50 dB
    half = taps // 2
    distance = 1 - half + np.arange(taps) - np.arange(phases + 1)[:, np.newaxis] / phases
    inside = np.sqrt(np.maximum(0.0, 1.0 - (distance / half) ** 2))
    table = np.sinc(cutoff * distance) * np.i0(beta * inside)
    return np.asarray(table / table.sum(axis=1, keepdims=True))


def bridge_state(prefilled_samples: int = 0) -> Block:
    """Return a fresh state of ``BRIDGE_STATE_SIZE`` words.

    Parameters
    ----------
    prefilled_samples : int
        Zeros that already lie in the ring, for a direct or fixed bridge.
    """
    state = np.zeros(BRIDGE_STATE_SIZE)
    state[WRITTEN] = state[FIRST_MARK] = state[CLEARED] = prefilled_samples
    return state


def bridge_latency_samples(coefficients: Block) -> int:
    """Return the delay of the filter, counted at the writer's rate.

    What lies in the ring comes on top: nothing for a direct or fixed bridge that is read right
    after it was written, the target for an adaptive one.
    """
    return int(coefficients[TAPS]) // 2


def bridge_meters(state: Block) -> Mapping[str, float]:
    """Return readings of a bridge.

    ``drift_ppm`` is how much faster than nominal the writer's clock runs than the reader's;
    ``glitches`` counts ramps to silence; the others tell of now.
    """
    return {
        "drift_ppm": 1e6 * float(state[DRIFT]),
        "fill_ms": float(state[FILL_MS]),
        "target_ms": float(state[TARGET_MS]),
        "glitches": float(state[GLITCHES]),
        "locked": float(state[LOCKED]),
    }


def _checked_rate(rate_hz: float) -> int:
    if LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ and rate_hz == int(rate_hz):
        return int(rate_hz)
    raise SettingError(
        f"a sample rate is {rate_hz:g} Hz; it must be a whole number of hertz between "
        f"{LOWEST_RATE_HZ} and {HIGHEST_RATE_HZ} Hz"
    )


def _check_ratio(write_hz: int, read_hz: int) -> None:
    if write_hz > MAX_RATIO * read_hz:
        raise SettingError(
            f"{write_hz} Hz cannot become {read_hz} Hz; the rates may fall by at most a factor "
            f"of {MAX_RATIO}"
        )


def _check_target(target_s: float, write_hz: int) -> None:
    highest_s = MAX_TARGET / write_hz
    if not 0.0 <= target_s <= highest_s:
        raise SettingError(
            f"target_s is {target_s:g} s; it must lie between 0 and {highest_s:.3f} s at "
            f"{write_hz} Hz"
        )
