"""The leveller's target with which a voice arrives at the level of ordinary speech.

A leveller follows the power of syllables.  Where a voice comes to over a whole recording also
hangs on how its level moves, and on how the leveller's two bands share it: on twelve clips it was
15 to 18 dB under full modulation for one and the same target.  Compressor and clipper are set for
ordinary speech, so the target is moved until the voice arrives there.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.activity import ActiveSpeechMeter
from carrierfloor.dsp.ordinary_speech import ordinary_speech
from carrierfloor.dsp.stage import Block, Context
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_settings

MOST_CHANGE_DB = 3.0
STEP_DB = 0.5  # the target is written in steps of this
STEPS = 2  # the active level does not quite follow the target where a voice shouts and whispers
# Of one level for the whole recording the leveller must have so much gain in hand: a far syllable,
# and the treble, which a leveller of two bands raises by itself.
IN_HAND_DB, MOST_GAIN_DB = 12.0, 60.0


@dataclass(frozen=True, kw_only=True)
class LevellerFit:
    """What was found; levels in dB, 0 dB = rms of 100 % modulation."""

    recorded_db: float  # active speech level ahead of the leveller
    levelled_db: float  # behind it, with the target of the voice it began with
    ordinary_db: float  # where ordinary speech comes to there
    before_db: float  # target of the voice it began with
    target_db: float
    max_gain_db: float


def fit_leveller(
    voice: Voice, base: Voice, samples: Block, context: Context
) -> tuple[LevellerFit | None, Voice]:
    """Find the target; return what was found and the voice with it.

    Parameters
    ----------
    voice : Voice
        Everything ahead of the leveller as it will be.
    base : Voice
        The voice as ordinary speech goes through it.
    samples : ndarray, shape (n,)
        The recording at 48 kHz.
    context : Context
        Of the rig.

    Returns
    -------
    tuple of LevellerFit or None and Voice
        ``None`` if the voice has no leveller.
    """
    design = first_of(voice, "leveller")
    if design is None:
        return None, voice
    recorded_db, _ = _levels_db(voice, samples, context)
    needed_db = math.ceil(design.target_db - recorded_db + IN_HAND_DB)
    max_gain_db = min(MOST_GAIN_DB, max(design.max_gain_db, float(needed_db)))
    voice = with_settings(voice, "leveller", max_gain_db=max_gain_db)
    _, levelled_db = _levels_db(voice, samples, context)
    _, ordinary_db = _levels_db(base, ordinary_speech(), context)
    target_db, arrived_db = design.target_db, levelled_db
    for _ in range(STEPS):
        change_db = target_db + ordinary_db - arrived_db - design.target_db
        change_db = float(np.clip(change_db, -MOST_CHANGE_DB, MOST_CHANGE_DB))
        target_db = design.target_db + STEP_DB * round(change_db / STEP_DB)
        changed = with_settings(voice, "leveller", target_db=target_db)
        _, arrived_db = _levels_db(changed, samples, context)
    found = LevellerFit(
        recorded_db=recorded_db,
        levelled_db=levelled_db,
        ordinary_db=ordinary_db,
        before_db=design.target_db,
        target_db=target_db,
        max_gain_db=max_gain_db,
    )
    return found, changed


def _levels_db(voice: Voice, samples: Block, context: Context) -> tuple[float, float]:
    """Return the active speech level ahead of the first leveller and behind it.

    The recording goes through twice and the second time counts: before the first word the
    leveller knows nobody's level yet.
    """
    count, samples = len(samples), np.tile(samples, 2)
    for design in voice.stages:
        shaped = design.build(context).process(samples)
        if design.kind == "leveller":
            break
        samples = shaped
    return _active_db(samples[count:]), _active_db(shaped[count:])


def _active_db(samples: Block) -> float:
    meter = ActiveSpeechMeter()
    meter.feed(samples)
    return meter.read().active_db
