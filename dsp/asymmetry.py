"""Whether a voice should be turned over, and whether phase rotation pays.

Peaks of speech are higher on one side, and the carrier has more room upward.  What that is worth is
tried: the recording goes through the whole chain either way up, with and without rotation, at
equal drive.  What is denser behind clipper and limiter lost less in them.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.phase_rotation import PhaseRotationDesign
from carrierfloor.dsp.polarity import PolarityDesign
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.trial import Trial, try_out
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_settings, with_stage_before

AS_IS, INVERTED = "as_is", "inverted"
LEAST_TURNING_DB = 0.2  # of density: less is no reason to lay the polarity down
# Rotation smears the onsets over some milliseconds.  On eight clips it brought 0.4 to 0.9 dB at
# equal drive, and took 0.1 to 1.0 dB of reach at equal density (tests/bench/intelligibility.py).
LEAST_ROTATION_DB = 1.5


@dataclass(frozen=True, kw_only=True)
class Asymmetry:
    """What was found."""

    recorded_db: float  # highest peak of the recording over its deepest one
    processed_db: float  # up over down where the polarity is chosen, as dsp/polarity.py measures
    turning_db: float  # density gained by turning the voice over; negative: lost
    rotation_db: float  # density gained by phase rotation, each the better way up
    mode: str  # of the polarity stage
    rotate: bool


def fit_asymmetry(voice: Voice, rig: Rig, samples: Block) -> tuple[Asymmetry, Voice]:
    """Try all four ways; return what was found and the voice with what pays.

    Parameters
    ----------
    voice : Voice
        With a drive stage.
    rig : Rig
        The transmitter.
    samples : ndarray, shape (n,)
        At 48 kHz.
    """
    trials = {
        (mode, rotate): try_out(_set(voice, mode, rotate), rig, samples)
        for mode in (AS_IS, INVERTED)
        for rotate in (False, True)
    }
    rotation_db = _best(trials, True)[1] - _best(trials, False)[1]
    rotate = rotation_db >= LEAST_ROTATION_DB
    mode, _ = _best(trials, rotate)
    turning_db = trials[INVERTED, rotate].density_db - trials[AS_IS, rotate].density_db
    if abs(turning_db) < LEAST_TURNING_DB:
        stage = first_of(voice, "polarity")
        mode = stage.mode if stage else AS_IS
    centred = samples - np.mean(samples)
    found = Asymmetry(
        recorded_db=20.0 * math.log10(float(np.max(centred)) / -float(np.min(centred))),
        processed_db=trials[AS_IS, rotate].meters["polarity.asymmetry_db"],
        turning_db=turning_db,
        rotation_db=rotation_db,
        mode=mode,
        rotate=rotate,
    )
    return found, _chosen(voice, found)


def _best(trials: dict[tuple[str, bool], Trial], rotate: bool) -> tuple[str, float]:
    """Return the better way up and its density in dB."""
    density_db = {mode: trials[mode, rotate].density_db for mode in (AS_IS, INVERTED)}
    mode = max(density_db, key=lambda one: density_db[one])
    return mode, density_db[mode]


def _set(voice: Voice, mode: str, rotate: bool) -> Voice:
    """Return the voice with both stages, whether it had them or not."""
    if not first_of(voice, "polarity"):
        voice = with_stage_before(voice, PolarityDesign(), ["drive"])
    if not first_of(voice, "phase_rotation"):
        voice = with_stage_before(voice, PhaseRotationDesign(), ["polarity"])
    voice = with_settings(voice, "polarity", mode=mode)
    return with_settings(voice, "phase_rotation", mode="on" if rotate else "off")


def _chosen(voice: Voice, found: Asymmetry) -> Voice:
    """Return the voice with what pays, and with no stage that does nothing and was not there."""
    has = {stage.kind for stage in voice.stages}
    needed = {"polarity": found.mode != AS_IS, "phase_rotation": found.rotate}
    made = _set(voice, found.mode, found.rotate)
    stages = tuple(s for s in made.stages if s.kind in has or needed.get(s.kind, True))
    return Voice(name=made.name, description=made.description, stages=stages)
