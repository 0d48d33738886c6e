"""The predictive limiter: keeps the envelope at the antenna within its ceilings.

Input x, output y = g x, predicted modulation z = T{y} with T the path.  Per hop of B samples,
with a smoothing window of W samples, it looks at the next B + W samples and finds a smooth gain
g <= 1 such that every path stays within its ceilings, also between samples.

*The gain* comes from a required gain r(n): m(n) is the least r over the next W samples, g is m
smoothed over the last W samples by a window that sums to 1, so g(n) never exceeds r(n).  This is
the classic construction of look-ahead limiters (common practice, no source).

*The search* starts with r = 1, runs the paths from their committed state, lowers r by the excess
wherever a ceiling is broken, and repeats.

*The promise.*  A path has memory: a gain that is fine now may leave the path in a state from
which a ceiling must break later, whatever comes.  Therefore a hop is only committed if from its
end the limiter could still mute (m = 0 from there on, so g fades out over W samples) and the path
would then ring out within its ceilings for ever.  Muting from the end of the last hop is thus
always possible; since z is linear in m, so is any mixture of a mute and a plan that is too loud,
and the search ends at worst in the mute.

The kernel is in limiter_kernel.py and limiter_mute.py, the layout of its arrays in
limiter_layout.py.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp import limiter_layout as at
from carrierfloor.dsp.biquad import SECTION_COUNT, cascade
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.limiter_kernel import limiter_kernel
from carrierfloor.dsp.ring_out import ring_out_rows
from carrierfloor.dsp.stage import Block, CompiledStage
from carrierfloor.dsp.true_peak import interpolator_taps

MARGIN = 2e-4  # the limiter aims this far inside a ceiling, for what its tolerances add
SILENT = 1e-10  # -200 dB, where a gain in dB stops


@dataclass(frozen=True, kw_only=True)
class LimitedPath:
    """One path as the limiter holds it."""

    sections: NDArray[np.float64]  # shape (n, 5): b0, b1, b2, a1, a2 at 48 kHz
    negative_ceiling: float  # largest -z
    positive_ceiling: float  # largest z
    counted: bool = True  # whether it counts in the antenna's readings


def build_limiter(paths: Sequence[LimitedPath]) -> CompiledStage:
    """Make the limiter for a set of paths, all of which it holds at once.

    Raises
    ------
    SettingError
        If there are too many paths or sections.
    """
    state = np.zeros(at.SIZE)
    state[at.R : at.BEFORE] = 1.0
    state[at.M : at.G] = 1.0
    state[at.LEAST_GAIN] = state[at.LEAST_GAIN_NOW] = 1.0
    state[at.DIRTY] = 1.0
    return CompiledStage(
        "limiter", limiter_kernel, _coefficients(paths), state, at.LATENCY, _meters
    )


def _coefficients(paths: Sequence[LimitedPath]) -> Block:
    if not 0 < len(paths) <= at.MAX_PATHS:
        raise SettingError(
            f"paths: a rig has {len(paths) - 1} of them; it may have 0 to {at.MAX_PATHS - 1}"
        )
    offsets, tables, end = np.zeros(at.MAX_PATHS), [], at.TABLES
    for n, path in enumerate(paths):
        tables.append(_table(path))
        offsets[n] = end
        end += len(tables[-1])
    return np.concatenate([interpolator_taps(), [len(paths)], offsets, *tables])


def _table(path: LimitedPath) -> Block:
    packed = cascade(path.sections)
    if packed[SECTION_COUNT] > at.MAX_SECTIONS:
        raise SettingError(
            f"paths: a path needs {packed[SECTION_COUNT]:g} digital sections; "
            f"it may need {at.MAX_SECTIONS}: use fewer sections"
        )
    rows = ring_out_rows(packed)[:, : at.MAX_MOMENTS]
    head = np.zeros(at.HEAD)
    head[at.NEGATIVE_AIM] = path.negative_ceiling - MARGIN
    head[at.POSITIVE_AIM] = path.positive_ceiling - MARGIN
    head[at.PACKED], head[at.MOMENTS] = len(packed), rows.shape[1]
    head[at.COUNTED] = path.counted
    return np.concatenate([head, packed, rows.ravel()])


def _meters(state: Block) -> Mapping[str, float]:
    hops = max(state[at.HOPS], 1.0)
    return {
        "antenna_negative_peak_pct": 100.0 * state[at.NEGATIVE_PEAK],
        "antenna_positive_peak_pct": 100.0 * state[at.POSITIVE_PEAK],
        "antenna_negative_peak_pct_now": 100.0 * state[at.NEGATIVE_PEAK_NOW],
        "antenna_positive_peak_pct_now": 100.0 * state[at.POSITIVE_PEAK_NOW],
        "gain_reduction_max_db": _reduction_db(state[at.LEAST_GAIN]),
        "gain_reduction_mean_db": (0.0 - state[at.GAIN_DB_SUM]) / hops,
        "gain_reduction_db_now": _reduction_db(state[at.LEAST_GAIN_NOW]),
        "passes_mean": state[at.PASSES] / hops,
        "retreats": state[at.RETREATS],
        "mutes": state[at.MUTES],
        "impossible_samples": state[at.IMPOSSIBLE],
    }


def _reduction_db(gain: float) -> float:
    return 20.0 * float(np.log10(1.0 / max(gain, SILENT)))
