"""Which level comes next while an operator reads a scope: small first, then nearer to the limit."""

import math
from collections.abc import Sequence

from carrierfloor.dsp.envelope_reading import EnvelopeReading

FIRST_DBFS = -40.0
LARGEST_STEP_DB = 6.0
READABLE = 0.15  # modulation from which on a reading foretells others
# Modulations worth reading on the way to the limit, as parts of it.
PARTS = (0.25, 0.4, 0.55, 0.7, 0.85, 0.95, 1.0)
SAME = 0.04  # of the limit: no reading so near the last one
UNEVEN_PART = 0.5  # of the limit, for the step that tells the polarity


def next_level_dbfs(
    last_dbfs: float | None, readings: Sequence[EnvelopeReading], limit: float
) -> float | None:
    """Return the level to read next, ``None`` if the limit is reached or the card gives no more.

    Parameters
    ----------
    last_dbfs : float or None
        The level before; ``None`` to begin.
    readings : sequence of EnvelopeReading
        What was read so far.
    limit : float
        The rig's negative limit, 1.0 = 100 %, which no step is meant to pass.
    """
    if last_dbfs is None:
        return FIRST_DBFS
    telling = [one for one in readings if one.negative >= READABLE]
    if not telling:
        wanted_dbfs = last_dbfs + LARGEST_STEP_DB
    else:
        highest = max(telling, key=lambda one: one.level_dbfs)
        reached = max(one.negative for one in telling) / limit
        parts = [part for part in PARTS if part > reached + SAME]
        if not parts:
            return None
        needed = parts[0] * limit * highest.amplitude / highest.negative
        wanted_dbfs = min(20.0 * math.log10(needed), last_dbfs + LARGEST_STEP_DB)
        if wanted_dbfs <= last_dbfs:  # that step was skipped
            wanted_dbfs = last_dbfs + 1.0
    if last_dbfs >= 0.0:
        return None
    return min(0.0, round(wanted_dbfs, 1))


def uneven_level_dbfs(full_modulation_dbfs: float, limit: float) -> float:
    """Return a level for the step that tells the polarity: to be seen well, far from cut-off."""
    return min(0.0, round(full_modulation_dbfs + 20.0 * math.log10(UNEVEN_PART * limit), 1))
