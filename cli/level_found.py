"""What ``level`` found, whichever way."""

from dataclasses import dataclass

from carrierfloor.dsp.level_fit import LevelFit

SCOPE = "scope"


@dataclass(frozen=True, kw_only=True)
class LevelFound:
    """A level and a polarity, and what was noticed on the way."""

    method: str  # scope, iq, if or detector
    source: str  # what was read: a file, or the scope
    frequency_hz: float  # of the tone
    fit: LevelFit
    full_modulation_dbfs: float  # at 1 kHz
    polarity: str | None  # None: not known
    has_uneven_step: bool  # whether there was a step to tell the polarity
    steps_missed: int = 0  # steps of the staircase that are not in the recording
    carrier_from_step: bool = False  # the carrier was never recorded alone
    carrier_change: float | None = None  # over the whole recording, a part of it
    flat_steps: int = 0  # steps with a flat bottom in a detector recording
    flat_crest: float | None = None  # positive peak there, if crests are cut flat too; 1.0 = 100 %
    carrier_hz: float | None = None  # where it was in the recording
    drift_hz_per_s: float | None = None
    nonfinite_samples: int = 0
