"""What the limiter holds for a rig: every path to the antenna, and the sound card itself."""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.antenna import paths_of
from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital_response
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.limiter import LimitedPath
from carrierfloor.dsp.path_model import HIGHEST_HZ, LOWEST_HZ, digital_sections
from carrierfloor.dsp.rig import Rig

LARGEST_MISFIT = 5e-4  # of the digital path; the tolerance at the antenna is twice that ...
LARGEST_BOOSTED_MISFIT = 1e-3  # ... and all of it may go where the equaliser boosts
LARGEST_LOSS = 0.1  # of the modulation, that a coarse sample format may cost
IMPULSE_SAMPLES = 48_000  # long enough for the sum of any path's impulse response


def predicted_paths(
    rig: Rig, behind: NDArray[np.float64], sample_step: float
) -> tuple[LimitedPath, ...]:
    """Model what follows the limiter.

    Parameters
    ----------
    rig : Rig
        The transmitter; with no paths it is flat.
    behind : ndarray, shape (n, 5)
        The sections of the output stage, output filter and equaliser; every path begins with them.
    sample_step : float
        Largest error of a stored sample, 1.0 = full scale.

    Raises
    ------
    SettingError
        If the sample format is too coarse for the rig's level, or a path cannot be modelled.
    """
    full = abs(rig.level.sample_at_full_modulation)
    card = (1.0 - sample_step) / full  # the converter clips beyond
    paths = [
        LimitedPath(sections=behind, negative_ceiling=card, positive_ceiling=card, counted=False)
    ]
    allowed = min(LARGEST_MISFIT, LARGEST_BOOSTED_MISFIT / _boost(behind))
    for path in paths_of(rig):
        sections, misfit = digital_sections(path)
        if misfit > allowed:
            less = " or equalise it less" if allowed < LARGEST_MISFIT else ""
            raise SettingError(
                f"path {path.name!r}: the model of its {len(path.sections)} sections is "
                f"{100.0 * misfit:.2g} % off (allowed {100.0 * allowed:.2g} %); "
                f"describe it with fewer sections{less}"
            )
        lost = sample_step / full * _largest_gain(sections)
        if lost > LARGEST_LOSS:
            raise SettingError(
                f"level: full_modulation_dbfs is {rig.level.full_modulation_dbfs:g} dBFS; the "
                f"output's sample format could add {100.0 * lost:.1f} % modulation there "
                f"(allowed {100.0 * LARGEST_LOSS:g} %); raise the level or use more bits"
            )
        paths.append(
            LimitedPath(
                sections=np.concatenate([behind, sections]),
                negative_ceiling=rig.modulation.negative_aim - lost,
                positive_ceiling=rig.modulation.positive_aim - lost,
            )
        )
    return tuple(paths)


def _boost(sections: NDArray[np.float64]) -> float:
    """Return the highest gain of sections where a path is modelled, at least 1."""
    frequency_hz = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 1000)
    return max(1.0, float(np.abs(digital_response(sections, frequency_hz)).max()))


def _largest_gain(sections: NDArray[np.float64]) -> float:
    """Return the most that sections can make of any signal: the sum of |impulse response|."""
    impulse = np.zeros(IMPULSE_SAMPLES)
    impulse[0] = 1.0
    biquad_kernel(cascade(sections), cascade_state(len(sections)), impulse)
    return float(np.abs(impulse).sum())
