"""The gate that a talker's room needs: none where it is quiet, one that follows where it is not.

What is heard in the pauses at the antenna is the room, raised by all that evens out the speech.
So the recording goes through the chain without its gate first; what that leaves between speech
and pause says how far a gate must turn the pauses down.
"""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, SpeechSpectrum, of_recording
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.trial import processed
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of, with_settings

QUIET_DB = 50.0  # so far under the speech a receiver's own noise covers it (no source)
LEAST_RANGE_DB, MOST_RANGE_DB = 3.0, 24.0  # less is not heard; more sounds like a broken line
# Noise swells by some decibels from moment to moment; the threshold lies above that, and below
# the ends of words (both by trial on recordings of people, no source).
OVER_NOISE_DB, HIGHEST_DB, LOWEST_DB = 8.0, -28.0, -50.0
WITHIN_DB = 2.0  # above the noise the gate shall have reached its range
LEAST_RATIO, MOST_RATIO = 1.5, 6.0
NEAR_DB = -HIGHEST_DB + OVER_NOISE_DB - 6.0  # nearer to the speech, room and word ends overlap


@dataclass(frozen=True, kw_only=True)
class GateFit:
    """What was found; levels in dB."""

    recorded_db: float  # speech over noise where the gate listens
    ungated_db: float  # speech over pauses at the antenna without a gate
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
    card, _ = processed(with_settings(voice, "gate", ratio=1.0), rig, samples)
    ungated = of_recording(card, np.ones(len(CENTRES_HZ)))
    ungated_db = ungated.speech_over_noise_db(np.ones(len(CENTRES_HZ)))
    recorded_db = spectrum.speech_over_noise_db(ahead)
    range_db = min(QUIET_DB - ungated_db, MOST_RANGE_DB)
    if not first_of(voice, "gate") or range_db < LEAST_RANGE_DB:
        found = GateFit(
            recorded_db=recorded_db,
            ungated_db=ungated_db,
            threshold_db=None,
            ratio=1.0,
            range_db=0.0,
        )
        return found, with_settings(voice, "gate", ratio=1.0)
    threshold_db = math.ceil(min(max(OVER_NOISE_DB - recorded_db, LOWEST_DB), HIGHEST_DB))
    under_db = max(threshold_db + recorded_db - WITHIN_DB, WITHIN_DB)
    ratio = min(max(1.0 + range_db / under_db, LEAST_RATIO), MOST_RATIO)
    found = GateFit(
        recorded_db=recorded_db,
        ungated_db=ungated_db,
        threshold_db=float(threshold_db),
        ratio=round(ratio, 1),
        range_db=float(math.ceil(range_db)),
    )
    settings = {"threshold_db": found.threshold_db, "ratio": found.ratio}
    return found, with_settings(voice, "gate", range_db=found.range_db, **settings)
