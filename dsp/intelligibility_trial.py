"""One setting tried on one phrase: how it is understood in noise, and what that costs.

Everything a trial needs is passed to it and everything it finds is in what it returns, so that
trials may run in any process on any machine.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.in_step import InStep
from carrierfloor.dsp.intelligibility import estoi, reception_of
from carrierfloor.dsp.intelligibility_audio import merely_scaled, talker
from carrierfloor.dsp.prediction import AntennaMeter
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.voice import Voice

SCORES = (0.5, 0.7)  # at which the power gain is read
EMISSION_BEYOND_HZ = 5_000.0  # from the carrier, the same for all voices


@dataclass(frozen=True, kw_only=True)
class Trial:
    """What one setting made of one phrase; peaks, density and emission as sent."""

    scores: Mapping[float, float]  # ESTOI at each carrier-to-noise ratio in dB
    cn_needed_db: Mapping[float, float]  # for each of SCORES; NaN if it is never reached
    score_without_noise: float
    clipper_removed_db: float | None  # power that the clipper took off; None without a clipper
    raised_db: float  # gain before scoring, to the rig's limit; 0 where the trough was there
    density: float  # rms of m in active speech (ITU-T P.56), 1.0 = 100 %; the lowest of the paths
    negative_peak: float  # deepest trough of all paths, 1.0 is carrier cut-off
    positive_peak: float
    cutoffs: int
    emission_dbc: float  # mean power beyond EMISSION_BEYOND_HZ, both sides, worst of the paths


def try_setting(
    speech: Block,
    voice: Voice | None,
    rig: Rig,
    cn_db: Sequence[float],
    progress: Callable[[float], None] = lambda part: None,
) -> Trial:
    """Process a phrase, measure it at the antenna and score it in noise.

    Parameters
    ----------
    speech : ndarray, shape (n,)
        At 48 kHz, all finite.
    voice : Voice, optional
        How it is shaped; ``None``: low-passed to 5 kHz and scaled to the limit, no more.
    rig : Rig
        The transmitter.
    cn_db : sequence of float
        Carrier over noise in 10 kHz of RF.
    progress : callable
        Gets the part that is done, 0 to 1; it may raise to end the trial.

    Raises
    ------
    CarrierfloorError
        If the voice does not fit the rig, or there is too little speech.
    """
    card, removed_db = _processed(speech, voice, rig)
    progress(0.2)
    antenna = AntennaMeter(rig)
    antenna.feed(card)
    antenna.finish()
    paths = antenna.paths
    reception = reception_of(speech, card, rig)
    scores, needed_db = {}, {}
    for number, ratio_db in enumerate(cn_db):
        progress(0.3 + 0.3 * number / len(cn_db))
        scores[ratio_db] = reception.score(ratio_db)
    for number, score in enumerate(SCORES):
        progress(0.6 + 0.4 * number / len(SCORES))
        needed_db[score] = reception.cn_needed_db(score)
    return Trial(
        scores=scores,
        cn_needed_db=needed_db,
        score_without_noise=reception.score_without_noise,
        clipper_removed_db=removed_db,
        raised_db=20.0 * math.log10(reception.raised),
        density=min(path.speech.active_rms for path in paths),
        negative_peak=max(path.modulation.negative_peak for path in paths),
        positive_peak=max(path.modulation.positive_peak for path in paths),
        cutoffs=max(path.modulation.cutoffs for path in paths),
        emission_dbc=max(path.emission.beyond_dbc(EMISSION_BEYOND_HZ) for path in paths),
    )


def check_speech(speech: Block) -> None:
    """Refuse, before any work, a phrase that cannot be scored.

    Raises
    ------
    AudioError
        If there is too little speech.
    """
    clean = talker(speech)
    estoi(clean, clean)


def _processed(speech: Block, voice: Voice | None, rig: Rig) -> tuple[Block, float | None]:
    """Return the sound-card samples in step with the speech, and what the clipper removed."""
    if voice is None:
        return merely_scaled(speech, rig), None
    chain = Chain(voice, rig)
    in_step = InStep(chain, SAMPLE_RATE_HZ, SAMPLE_RATE_HZ)
    card = np.concatenate([in_step.process(speech), in_step.finish()])
    return card, chain.meters.get("clipper.removed_db")
