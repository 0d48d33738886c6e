"""What the limiter holds for a rig: every path to the antenna, and the sound card itself."""

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.antenna import paths_of
from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.limiter import LimitedPath
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.rig import Rig

LARGEST_MISFIT = 5e-4  # of the digital path; the tolerance at the antenna is twice that
LARGEST_LOSS = 0.1  # of the modulation, that a coarse sample format may cost
IMPULSE_SAMPLES = 48_000  # long enough for the sum of any path's impulse response


def predicted_paths(
    rig: Rig, fit: NDArray[np.float64], sample_step: float
) -> tuple[LimitedPath, ...]:
    """Model what follows the limiter.

    Parameters
    ----------
    rig : Rig
        The transmitter; with no paths it is flat.
    fit : ndarray, shape (n, 5)
        The output filter's sections, which every path begins with.
    sample_step : float
        Largest error of a stored sample, 1.0 = full scale.

    Raises
    ------
    SettingError
        If the sample format is too coarse for the rig's level, or a path cannot be modelled.
    """
    full = abs(rig.level.sample_at_full_modulation)
    card = (1.0 - sample_step) / full  # the converter clips beyond
    paths = [LimitedPath(sections=fit, negative_ceiling=card, positive_ceiling=card, counted=False)]
    for path in paths_of(rig):
        sections, misfit = digital_sections(path)
        if misfit > LARGEST_MISFIT:
            raise SettingError(
                f"path {path.name!r}: the model of its {len(path.sections)} sections is "
                f"{100.0 * misfit:.2f} % off (allowed {100.0 * LARGEST_MISFIT:g} %); "
                "describe it with fewer sections"
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
                sections=np.concatenate([fit, sections]),
                negative_ceiling=rig.modulation.negative_aim - lost,
                positive_ceiling=rig.modulation.positive_aim - lost,
            )
        )
    return tuple(paths)


def _largest_gain(sections: NDArray[np.float64]) -> float:
    """Return the most that sections can make of any signal: the sum of |impulse response|."""
    impulse = np.zeros(IMPULSE_SAMPLES)
    impulse[0] = 1.0
    biquad_kernel(cascade(sections), cascade_state(len(sections)), impulse)
    return float(np.abs(impulse).sum())
