"""What makes a recording useless to fit a voice to, each with one line that says so."""

import math

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, SpeechSpectrum
from carrierfloor.dsp.stage import Block

# Speech moves by 20 dB and more from pause to vowel, steady noise by 3 at most.
LEAST_SPREAD_DB = 8.0
SPEECH_HZ = (150.0, 5000.0)
BAND_DB, FEWEST_BANDS = 30.0, 6  # bands of speech lie within 30 dB of the strongest; of a tone, 3
SHORTEST_S = 3.0  # of speech
WEAKEST_DBFS = -55.0  # nothing 25 dB below that is speech to the chain (dsp/speech_tracker.py)
LEAST_SPEECH_OVER_NOISE_DB = 12.0
SAME, FEWEST_FLAT = 1e-4, 10  # samples so near the highest one; natural peaks have one or two


def check_speech(spectrum: SpeechSpectrum, weight: NDArray[np.float64]) -> None:
    """Refuse a recording without enough clear speech.

    Parameters
    ----------
    spectrum : SpeechSpectrum
        Of the recording.
    weight : ndarray, shape (bands,)
        Power that the voice's high-pass passes in each band.

    Raises
    ------
    AudioError
        Says what it holds instead.
    """
    if spectrum.spread_db < LEAST_SPREAD_DB:
        raise AudioError(
            f"no speech: its level moves by {spectrum.spread_db:.0f} dB only, that of speech by 20 "
            "and more; it is a tone, noise, or speech buried in noise"
        )
    low, high = np.searchsorted(CENTRES_HZ, SPEECH_HZ)
    level_db = 10.0 * np.log10(spectrum.speech)
    bands = np.count_nonzero(level_db[low:high] > level_db.max() - BAND_DB)
    if bands < FEWEST_BANDS:
        raise AudioError(
            f"no speech: {bands} third octaves from 150 Hz to 5 kHz hold all there is; speech "
            "fills them all"
        )
    over_db = spectrum.speech_over_noise_db(weight)
    if over_db < LEAST_SPEECH_OVER_NOISE_DB:
        raise AudioError(
            f"too noisy: the pauses are {over_db:.0f} dB under the speech (at least "
            f"{LEAST_SPEECH_OVER_NOISE_DB:g} dB); go nearer to the microphone, quiet the room, or "
            "find what hums"
        )


def check_level(active_dbfs: float) -> None:
    """Refuse a recording that is too weak to tell speech from what a converter adds.

    Raises
    ------
    AudioError
        Says how weak it is.
    """
    if active_dbfs < WEAKEST_DBFS:
        is_measured = math.isfinite(active_dbfs)
        found = f"at {active_dbfs:.0f} dBFS" if is_measured else "too faint to measure"
        raise AudioError(
            f"too weak: the speech is {found} (at least {WEAKEST_DBFS:g} dBFS, better -30 dBFS); "
            "record again with more gain"
        )


def check_length(active_s: float) -> None:
    """Refuse a recording with too little speech, pauses not counted.

    Raises
    ------
    AudioError
        Says how much there is.
    """
    if active_s < SHORTEST_S:
        raise AudioError(
            f"too short: {active_s:.1f} s of speech (at least {SHORTEST_S:g} s, better 20 s)"
        )


def check_unclipped(samples: Block) -> None:
    """Refuse a recording whose peaks are cut flat, at whatever level.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        As recorded, not resampled.

    Raises
    ------
    AudioError
        Says on which side and at which level.
    """
    for words, side in (("upper", samples), ("lower", -samples)):
        peak = float(side.max(initial=0.0))
        flat = np.count_nonzero(side >= (1.0 - SAME) * peak)
        if peak > 0.0 and flat >= FEWEST_FLAT:
            raise AudioError(
                f"clipped: {flat} samples share the {words} peak of {decibels(peak):.1f} dBFS; "
                "record again with less gain"
            )
