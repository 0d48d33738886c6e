"""How well speech is understood through noise, and what processing saves in carrier power.

Speech in noise is scored with ESTOI (J. Jensen and C. H. Taal, "An algorithm for predicting the
intelligibility of speech masked by modulated noise maskers", IEEE/ACM Trans. Audio, Speech and
Language Processing 24(11), 2016), computed by the package pystoi.  The score rises with the share
of words understood; it is no percentage of words.

The carrier-to-noise ratio is the power of the carrier over that of white Gaussian noise in 10 kHz
of radio frequency.  A carrier of amplitude 1 has the power 1/2; a receiver's detector turns the
noise into audio noise of the power N in 5 kHz, where N is its power in 10 kHz.

The **effective power gain** of processed speech at a score is the carrier-to-noise ratio that the
same speech, merely scaled to the same depth of modulation, needs for that score, minus what the
processed speech needs, in dB.

ESTOI *without* noise tells only how far the processing moved the spectrum from that of the talker.
It calls heavy clipping harmful that listeners understand almost without loss (J. C. R. Licklider,
JASA 18, 1946), so no setting may be judged by it alone.
"""

import math
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.intelligibility_audio import RECEIVER_RATE_HZ, heard, merely_scaled, talker
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import Block

CARRIER_POWER = 0.5  # of a carrier of amplitude 1
STEP_DB = 2.0  # a score is looked up in steps of it, and interpolated between them
LOWEST_CN_DB, HIGHEST_CN_DB = -20.0, 80.0  # the range looked at
NOISE_SEED = 5  # one noise for everything that is compared
SHORTEST_SAMPLES = 4_300  # Jensen and Taal 2016: 30 frames of 25.6 ms, half a frame apart
TOO_LITTLE = "there is too little speech to score; it takes 0.4 s without pauses"

_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class Reception:
    """Speech as received, and how well it is understood in noise.

    Parameters
    ----------
    clean : ndarray, shape (k,)
        The talker's own words, at 10 kHz; from :func:`intelligibility_audio.talker`.
    audio : ndarray, shape (k,)
        As received without noise, for a carrier of 1; from :func:`intelligibility_audio.heard`.
    raised : float
        The gain that brought its deepest trough to the limit.
    """

    clean: Block
    audio: Block
    raised: float = 1.0

    @cached_property
    def score_without_noise(self) -> float:
        """ESTOI without noise: how much of the talker's spectrum the processing left as it was."""
        return estoi(self.clean, self.audio)

    def score(self, cn_db: float) -> float:
        """Return ESTOI at a carrier-to-noise ratio in 10 kHz of RF.

        Raises
        ------
        AudioError
            If there is too little speech for a score.
        """
        if cn_db not in self._scores:
            noise = noise_rms(cn_db) * self._noise
            self._scores[cn_db] = estoi(self.clean, self.audio + noise)
        return self._scores[cn_db]

    def cn_needed_db(self, score: float) -> float:
        """Return the carrier-to-noise ratio that reaches a score; NaN if none does.

        Raises
        ------
        AudioError
            If there is too little speech for a score.
        """
        if self.score_without_noise <= score:
            return math.nan
        low, high = 0, round((HIGHEST_CN_DB - LOWEST_CN_DB) / STEP_DB)
        while high - low > 1:
            middle = (low + high) // 2
            if self.score(LOWEST_CN_DB + STEP_DB * middle) < score:
                low = middle
            else:
                high = middle
        below_db, above_db = (LOWEST_CN_DB + STEP_DB * step for step in (low, high))
        below, above = self.score(below_db), self.score(above_db)
        return below_db + STEP_DB * (score - below) / (above - below)

    @cached_property
    def _noise(self) -> Block:
        return np.random.default_rng(NOISE_SEED).standard_normal(len(self.audio))

    @cached_property
    def _scores(self) -> dict[float, float]:
        return {}


def reception_of(speech: Block, card: Block, rig: Rig) -> Reception:
    """Return how speech is received that was processed into sound-card samples.

    Parameters
    ----------
    speech : ndarray, shape (n,)
        The talker, at 48 kHz.
    card : ndarray, shape (n,)
        What the sound card gets of it, at 48 kHz, in step.
    rig : Rig
        The transmitter; its first path is used.

    Raises
    ------
    AudioError
        If nothing is modulated.
    """
    return Reception(talker(speech), *heard(card, rig))


def scaled_reception(speech: Block, rig: Rig) -> Reception:
    """Return how speech is received that was merely scaled to the limit: what gains count from.

    Raises
    ------
    AudioError
        If nothing is modulated.
    """
    return reception_of(speech, merely_scaled(speech, rig), rig)


def effective_power_gain_db(scaled: Reception, processed: Reception, score: float) -> float:
    """Return the carrier power that processing saves, in dB; NaN if one never gets to the score.

    Parameters
    ----------
    scaled, processed : Reception
        Of the same speech, the first from :func:`scaled_reception`.
    score : float
        0 to 1.
    """
    return scaled.cn_needed_db(score) - processed.cn_needed_db(score)


def noise_rms(cn_db: float) -> float:
    """Return the rms of the audio noise in 5 kHz for a carrier of 1, from C/N in 10 kHz of RF."""
    return math.sqrt(CARRIER_POWER / 10.0 ** (cn_db / 10.0))


def estoi(clean: Block, heard: Block) -> float:
    """Return the ESTOI of speech, shape (k,) both, at 10 kHz; the same number each time.

    Raises
    ------
    AudioError
        If there is less than 0.4 s of speech.
    """
    from pystoi import stoi  # it loads scipy.signal, which takes a while

    if len(clean) < SHORTEST_SAMPLES or not clean.any():
        raise AudioError(TOO_LITTLE)
    with _one_at_a_time, _known_random_numbers(), warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)  # it gives 1e-5 for speech that is too short
        try:
            return float(stoi(clean, heard, RECEIVER_RATE_HZ, extended=True))
        except RuntimeWarning:
            raise AudioError(TOO_LITTLE) from None


@contextmanager
def _known_random_numbers() -> Iterator[None]:
    """Let numpy's shared random numbers start anew, and go on behind as if nothing had been.

    pystoi adds some, 1e-16 large, so that it never divides by zero.
    """
    before = np.random.get_state()  # noqa: NPY002  (it is what pystoi draws from)
    np.random.seed(NOISE_SEED)  # noqa: NPY002
    try:
        yield
    finally:
        np.random.set_state(before)  # noqa: NPY002
