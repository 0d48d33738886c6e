"""Speech apart from its noise, against third octaves made another way and against known noise."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, of_recording, third_octaves
from tests.clips import Array, sound

RATE_HZ = 48_000
EVERYTHING = np.ones(len(CENTRES_HZ))
WITH_PAUSES_S = 0.7


def with_pauses(clip: Array) -> Array:
    """Return a clip with silence before, in the middle and behind."""
    pause = np.zeros(round(WITH_PAUSES_S * RATE_HZ))
    half = len(clip) // 2
    return np.concatenate([pause, clip[:half], pause, clip[half:], pause])


def octave_db(samples: Array, centre_hz: float) -> float:
    """Level in one third octave by a Butterworth filter of order 8 (scipy)."""
    edges_hz = centre_hz * np.array([10**-0.05, 10**0.05])  # IEC 61260-1 (2014), clause 5
    sos = signal.butter(8, edges_hz, "bandpass", fs=RATE_HZ, output="sos")
    return float(10 * np.log10(np.mean(np.square(signal.sosfilt(sos, samples)))))


@pytest.mark.parametrize("name", ["F1_harvard_phrases", "M2_harvard_phrases"])
def test_third_octaves_agree_with_filters(name: str) -> None:
    """Within 0.7 dB from 250 Hz to 4 kHz; the filters pass a little of their neighbours."""
    clip = np.pad(sound(name), RATE_HZ // 2)  # all of the clip is in whole frames
    ours_db = 10 * np.log10(third_octaves(clip).mean(axis=0))
    for band in range(6, 19):
        other_db = octave_db(clip, CENTRES_HZ[band])
        assert ours_db[band] == pytest.approx(other_db, abs=0.7), CENTRES_HZ[band]


def test_bands_add_up_to_the_power() -> None:
    clip = np.pad(sound("M1_harvard_phrases"), RATE_HZ // 2)
    ours = third_octaves(clip).mean(axis=0).sum()
    assert 10 * np.log10(ours / np.mean(clip**2)) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("under_db", [50.0, 35.0, 20.0])
def test_noise_in_the_pauses_is_found(under_db: float) -> None:
    """White noise of a known level: all of it within 1 dB, and flat over frequency within 2 dB.

    White noise of mean square n has n times the band's part of half the sample rate in it.
    """
    clip = with_pauses(sound("F2_harvard_phrases"))
    level = 10 ** (-26.1 / 20) * 10 ** (-under_db / 20)  # -26.1 dBFS: tests/open_speech/README.md
    noisy = clip + level * np.random.default_rng(2).standard_normal(len(clip))
    found = of_recording(noisy, EVERYTHING)
    width_hz = CENTRES_HZ * (10**0.05 - 10**-0.05)
    share = level**2 * width_hz / (RATE_HZ / 2)
    off_db = 10 * np.log10(found.noise / share)
    assert abs(10 * np.log10(found.noise.sum() / share.sum())) < 1.0
    assert np.abs(off_db[6:]).max() < 2.0


def test_speech_is_what_it_was_without_the_noise() -> None:
    """With noise 25 dB below the speech its bands up to 4 kHz are the clean ones within 1 dB.

    Those that stand 3 dB out of it, that is.
    """
    clip = with_pauses(sound("M2_harvard_phrases"))
    noise = 10 ** (-(26.1 + 25) / 20) * np.random.default_rng(3).standard_normal(len(clip))
    clean, noisy = of_recording(clip, EVERYTHING), of_recording(clip + noise, EVERYTHING)
    apart_db = 10 * np.log10(noisy.speech / clean.speech)
    seen = (noisy.signal_to_noise_db > 3.0) & (CENTRES_HZ > 100.0) & (CENTRES_HZ < 4500.0)
    assert np.count_nonzero(seen) > 10
    assert np.abs(apart_db[seen]).max() < 1.0


def test_more_speech_is_better_known() -> None:
    one = sound("F1_harvard_phrases")
    both = np.concatenate([one, sound("F2_harvard_phrases"), one[::-1]])
    short, longer = of_recording(one, EVERYTHING), of_recording(both, EVERYTHING)
    middle = slice(6, 19)
    assert longer.uncertainty_db[middle].mean() < short.uncertainty_db[middle].mean()
