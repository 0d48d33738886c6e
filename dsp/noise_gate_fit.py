"""The gate that a talker's room needs: none where it is quiet, one that follows where it is not.

What is heard in the pauses at the antenna is the room, raised by all that evens out the speech.
So the recording goes through the chain without its gate first; what that leaves between speech
and pause says how far a gate must turn the pauses down.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.gate import GateDesign
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, SpeechSpectrum, of_recording
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.trial import processed
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_settings

QUIET_DB = 50.0  # so far under the speech a receiver's own noise covers it (no source)
LEAST_RANGE_DB, MOST_RANGE_DB = 3.0, 24.0  # less is not heard; more sounds like a broken line
# Noise swells by some decibels from moment to moment, and the gate opens at once; the threshold
# lies above that, and below most ends of words (by trial on recordings of people, no source).
OVER_NOISE_DB, HIGHEST_DB, LOWEST_DB = 10.0, -24.0, -50.0
SWELL_DB = 4.0  # above the mean of the noise the gate shall have reached its range
LEAST_RATIO, MOST_RATIO = 1.5, 6.0
NEAR_DB = 30.0  # nearer to the speech, the room and the ends of words overlap


@dataclass(frozen=True, kw_only=True)
class GateFit:
    """What was found; levels in dB."""

    recorded_db: float  # speech over noise where the gate listens; without pauses at least that
    ungated_db: float  # speech over pauses at the antenna without a gate
    is_kept: bool  # the gate is as it was: there were no pauses, or there is no gate
    threshold_db: float | None  # under the speech; None: no gate
    ratio: float  # 1: no gate
    range_db: float  # 0: no gate

    @property
    def is_near(self) -> bool:
        """Whether the noise is so near the speech that a gate cannot tell them apart."""
        return self.recorded_db < NEAR_DB


def fit_gate(
    voice: Voice, rig: Rig, samples: Block, spectrum: SpeechSpectrum, ahead: Block
) -> tuple[GateFit, Voice]:
    """Find the gate; return what was found and the voice with it, if it has a gate at all.

    Parameters
    ----------
    voice : Voice
        Everything ahead of the gate as it will be.
    rig : Rig
        The transmitter.
    samples : ndarray, shape (n,)
        The recording at 48 kHz.
    spectrum : SpeechSpectrum
        Of the recording.
    ahead : ndarray, shape (bands,)
        Power that the stages ahead of the gate pass in each of its bands.
    """
    design: GateDesign | None = first_of(voice, "gate")
    ungated_db = at_antenna_db(with_settings(voice, "gate", ratio=1.0), rig, samples)
    recorded_db = spectrum.speech_over_noise_db(ahead)
    is_kept = design is None or not spectrum.has_pauses
    threshold_db, ratio, range_db = _wanted(recorded_db, ungated_db)
    if is_kept:
        has_gate = design is not None and design.ratio > 1.0
        threshold_db = design.threshold_db if design and has_gate else None
        ratio = design.ratio if design else 1.0
        range_db = design.range_db if design and has_gate else 0.0
    elif threshold_db is None:
        voice = with_settings(voice, "gate", ratio=1.0)
    else:
        settings = {"threshold_db": threshold_db, "ratio": ratio, "range_db": range_db}
        voice = with_settings(voice, "gate", **settings)
    found = GateFit(
        recorded_db=recorded_db,
        ungated_db=ungated_db,
        is_kept=is_kept,
        threshold_db=threshold_db,
        ratio=ratio,
        range_db=range_db,
    )
    return found, voice


def _wanted(recorded_db: float, ungated_db: float) -> tuple[float | None, float, float]:
    """Return threshold, ratio and range."""
    range_db = float(math.ceil(min(QUIET_DB - ungated_db, MOST_RANGE_DB)))
    if range_db < LEAST_RANGE_DB:
        return None, 1.0, 0.0
    threshold_db = math.ceil(min(max(OVER_NOISE_DB - recorded_db, LOWEST_DB), HIGHEST_DB))
    under_db = max(threshold_db + recorded_db - SWELL_DB, 1.0)
    ratio = min(max(1.0 + range_db / under_db, LEAST_RATIO), MOST_RATIO)
    return float(threshold_db), round(ratio, 1), range_db


def at_antenna_db(voice: Voice, rig: Rig, samples: Block) -> float:
    """Return speech over pauses as the antenna hears them, in dB.

    The recording goes through twice and the second time counts: before the first word the
    leveller knows nobody's level yet, and its pauses are not those of a contact.
    """
    card, _ = processed(voice, rig, np.tile(samples, 2))
    everything = np.ones(len(CENTRES_HZ))
    return of_recording(card[len(samples) :], everything).speech_over_noise_db(everything)
