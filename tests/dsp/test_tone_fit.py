"""The fitted tone, on speech and speech-like noise whose spectrum was changed on purpose."""

import numpy as np
import pytest

from carrierfloor.dsp.ordinary_speech import ordinary_speech
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, of_recording
from carrierfloor.dsp.tone_fit import MOST_DB, MOST_TILT_DB, ToneFit, fit_tone, response_db
from tests.clips import Array, sound

RATE_HZ = 48_000
BAND_HZ = np.geomspace(280.0, 3800.0, 40)
DULL = (Section(kind="highshelf", corner_hz=1800.0, gain_db=-6.0, q=0.5),)
BOXY = (Section(kind="peak", centre_hz=800.0, gain_db=5.0, q=0.9),)
BRIGHT = (Section(kind="highshelf", corner_hz=1000.0, gain_db=10.0, q=0.3),)


def fitted(samples: Array) -> ToneFit:
    return fit_tone(of_recording(samples, np.ones(len(CENTRES_HZ))), 90.0, 4000.0)


def filtered(samples: Array, sections: tuple[Section, ...]) -> Array:
    """Filter by multiplying the spectrum: none of the project's digital filters takes part."""
    frequency_hz = np.asarray(np.fft.rfftfreq(len(samples), 1 / RATE_HZ), dtype=np.float64)
    bins = np.fft.rfft(samples) * analogue_response(sections, frequency_hz)
    return np.asarray(np.fft.irfft(bins, len(samples)))


def off_db(sections: tuple[Section, ...]) -> float:
    """Largest distance from flat of a response over the band, its mean taken off."""
    gain_db = response_db(sections, BAND_HZ)
    return float(np.abs(gain_db - gain_db.mean()).max())


def test_average_speech_needs_no_tone() -> None:
    """Noise with the spectrum of Byrne et al. that swells like speech."""
    tone = fitted(ordinary_speech())
    assert off_db(tone.bands) < 1.0
    assert tone.before_rms_db < 1.0
    assert tone.tilt_db < 0.3


@pytest.mark.parametrize("changed", [DULL, BOXY], ids=["dull", "boxy"])
def test_what_was_done_to_average_speech_is_undone(changed: tuple[Section, ...]) -> None:
    """Within 0.8 dB, of 2.7 and 2.9 dB to either side of the mean that were done to it."""
    tone = fitted(filtered(ordinary_speech(), changed))
    assert off_db(changed) > 2.5
    assert off_db((*changed, *tone.bands)) < 0.8
    assert tone.after_rms_db < 0.7 * tone.before_rms_db


@pytest.mark.parametrize("name", ["F2_harvard_phrases", "M1_harvard_phrases"])
def test_what_was_done_to_a_person_is_undone(name: str) -> None:
    """A boxy room makes the fitted tone differ by the opposite, within 2 dB."""
    before, after = fitted(sound(name)), fitted(filtered(sound(name), BOXY))
    change_db = response_db(after.bands, BAND_HZ) - response_db(before.bands, BAND_HZ)
    left_db = change_db + response_db(BOXY, BAND_HZ)
    assert np.abs(left_db - left_db.mean()).max() < 2.0


def test_brightness_stays() -> None:
    tone = fitted(filtered(ordinary_speech(), BRIGHT))
    assert off_db(BRIGHT) > 2.5
    assert off_db(tone.bands) < 1.0
    assert 1.0 < tone.tilt_db <= MOST_TILT_DB


def test_no_control_passes_its_bound() -> None:
    """A telephone-like recording, 18 dB down below 700 Hz."""
    thin = (Section(kind="lowshelf", corner_hz=700.0, gain_db=-18.0, q=0.7),)
    tone = fitted(filtered(ordinary_speech(), thin))
    gain_db = response_db(tone.bands, np.geomspace(50.0, 15_000.0, 100))
    assert 0.9 * MOST_DB < np.abs(gain_db).max() < MOST_DB + 0.2
    assert max(abs(band.gain_db or 0.0) for band in tone.bands) <= MOST_DB


def test_noise_is_not_taken_for_the_voice() -> None:
    """With hiss above 1.8 kHz that drowns the voice only the bands below are used."""
    clip = np.concatenate([sound("M1_harvard_phrases"), np.zeros(RATE_HZ)])
    hiss = np.random.default_rng(4).standard_normal(len(clip))
    bins = np.fft.rfft(hiss)
    bins[np.fft.rfftfreq(len(clip), 1 / RATE_HZ) < 1800.0] = 0.0
    tone = fitted(clip + 0.03 * np.fft.irfft(bins, len(clip)))
    assert len(tone.centres_hz) >= 6
    assert tone.centres_hz.max() < 1800.0
