"""What is learned from a recording, on speech in which the truth was put on purpose."""

from dataclasses import replace

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp.activity import ActiveSpeechMeter
from carrierfloor.dsp.asymmetry import (
    AS_IS,
    INVERTED,
    LEAST_ROTATION_DB,
    LEAST_TURNING_DB,
    fit_asymmetry,
)
from carrierfloor.dsp.condition import ConditionDesign
from carrierfloor.dsp.high_pass_fit import HIGHEST_HZ, UNHEARD_DB, HighPassFit, fit_high_pass
from carrierfloor.dsp.leveller_fit import fit_leveller
from carrierfloor.dsp.noise_gate_fit import GateFit, at_antenna_db, fit_gate
from carrierfloor.dsp.ordinary_speech import ordinary_speech
from carrierfloor.dsp.speech_spectrum import CENTRES_HZ, of_recording
from carrierfloor.dsp.stage import Context
from carrierfloor.dsp.trial import try_out
from carrierfloor.dsp.voice import Voice
from carrierfloor.dsp.voice_edit import first_of
from tests.clips import SPOKEN, Array, sound, voice

RATE_HZ = 48_000
RIG = presets.rig("plate-modulated")
PEOPLE = [name for name in SPOKEN if "harvard" in name]
SPEECH = 10 ** (-26.1 / 20)  # rms of the people's active speech: tests/open_speech/README.md


def lopsided() -> Array:
    """Five seconds of speech-like noise whose upward peaks are much higher."""
    noise = ordinary_speech()[: 5 * RATE_HZ]
    return np.asarray(noise + 0.8 * np.abs(noise))


def voiced() -> Array:
    """Five seconds of syllables in which all harmonics peak at once, either way up alike.

    Equal harmonics in phase are as spiky as a voice can be; the sign turns over every period.
    """
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    odd = sum(np.cos(2 * np.pi * 60.0 * k * t) / k**0.5 for k in range(1, 50, 2))
    return np.asarray(0.02 * odd * np.sin(2 * np.pi * 2.0 * t) ** 2)


def spaced(name: str) -> Array:
    """Three seconds of a clip with 0.8 s of silence before and behind."""
    return np.pad(sound(name)[: 3 * RATE_HZ], round(0.8 * RATE_HZ))


def active_rms(samples: Array) -> float:
    """Active speech level (ITU-T P.56)."""
    meter = ActiveSpeechMeter()
    meter.feed(samples)
    return meter.read().active_rms


@pytest.mark.parametrize(("sign", "mode"), [(1.0, AS_IS), (-1.0, INVERTED)])
def test_larger_peaks_go_upward(sign: float, mode: str) -> None:
    """With an offset besides, as some sound cards add it."""
    found, fitted = fit_asymmetry(voice(), RIG, sign * lopsided() + 0.2)
    assert found.mode == first_of(fitted, "polarity").mode == mode
    assert sign * found.recorded_db > 3.0
    assert sign * found.turning_db < -LEAST_TURNING_DB


def test_turning_the_recording_over_turns_the_finding_over() -> None:
    clip = sound("sibilants_female_fast")[: 4 * RATE_HZ]
    (one, _), (other, _) = (fit_asymmetry(voice(), RIG, samples) for samples in (clip, -clip))
    assert {one.mode, other.mode} == {AS_IS, INVERTED}
    assert one.turning_db == pytest.approx(-other.turning_db, abs=0.01)
    assert one.recorded_db == pytest.approx(-other.recorded_db)
    assert one.rotation_db == pytest.approx(other.rotation_db, abs=0.01)


def test_rotation_where_peaks_are_in_phase_and_only_there() -> None:
    rig = presets.rig("no-headroom")
    spiky, with_it = fit_asymmetry(voice(), rig, voiced())
    assert spiky.rotation_db >= LEAST_ROTATION_DB
    assert first_of(with_it, "phase_rotation").mode == "on"
    noisy, without = fit_asymmetry(voice(), rig, ordinary_speech()[: 4 * RATE_HZ])
    assert noisy.rotation_db < LEAST_ROTATION_DB
    assert first_of(without, "phase_rotation") is None


def hum(samples: Array, mains_hz: float, under_db: float) -> Array:
    """Return hum with a third harmonic 6 dB weaker, a little off as mains are."""
    t = np.arange(len(samples)) / RATE_HZ
    height = SPEECH * np.sqrt(2) * 10 ** (-under_db / 20)
    true_hz = 1.0005 * mains_hz
    both = np.cos(2 * np.pi * true_hz * t) + 0.5 * np.cos(2 * np.pi * 3 * true_hz * t + 1.0)
    return np.asarray(height * both)


def high_pass(samples: Array) -> tuple[HighPassFit, Voice]:
    return fit_high_pass(voice(), samples, SPEECH)


@pytest.mark.parametrize(("mains_hz", "under_db"), [(50.0, 40.0), (60.0, 44.0)])
def test_hum_is_found_and_the_corner_takes_it_away(mains_hz: float, under_db: float) -> None:
    """Loss of a second-order Butterworth high-pass: 10 lg(1 + (corner / f)^4)."""
    clip = spaced("M2_harvard_phrases")
    found, fitted = high_pass(clip + hum(clip, mains_hz, under_db))
    assert found.mains_hz == mains_hz
    levels = {round(hz / mains_hz): db for hz, db in found.hum}
    assert levels[1] == pytest.approx(under_db, abs=0.5)
    assert levels[3] == pytest.approx(under_db + 6.0, abs=1.5)
    corner_hz: float = first_of(fitted, "condition").high_pass_hz
    assert 90.0 < corner_hz <= HIGHEST_HZ
    assert found.corner_hz == corner_hz

    def left_db(of_hz: float) -> float:
        return under_db + 10 * float(np.log10(1 + (of_hz / mains_hz) ** 4))

    assert left_db(corner_hz) > UNHEARD_DB - 0.6 or corner_hz == HIGHEST_HZ
    assert left_db(corner_hz - 5.0) < UNHEARD_DB + 0.6


def test_no_hum_in_clean_speech() -> None:
    for name in SPOKEN:
        found, fitted = high_pass(sound(name))
        assert found.hum == (), name
        assert fitted == voice()


def gate(under_db: float) -> tuple[GateFit, Voice, Array]:
    """Fit the gate to a clip with white noise."""
    clip = spaced("F2_harvard_phrases")
    noise = np.random.default_rng(6).standard_normal(len(clip))
    noisy = clip + active_rms(clip) * 10 ** (-under_db / 20) * noise
    ahead = np.where(CENTRES_HZ > 90.0, 1.0, 0.0)
    found, fitted = fit_gate(voice(), RIG, noisy, of_recording(noisy, ahead), ahead)
    return found, fitted, noisy


@pytest.mark.parametrize("under_db", [42.0, 36.0])
def test_gate_quiets_the_room(under_db: float) -> None:
    """The noise reads as it was added, and behind the gate it is all but 50 dB down."""
    found, fitted, noisy = gate(under_db)
    assert found.recorded_db == pytest.approx(under_db, abs=2.0)
    assert not found.is_kept
    assert found.threshold_db is not None
    assert found.threshold_db > -found.recorded_db
    quieter_db = at_antenna_db(fitted, RIG, noisy) - found.ungated_db
    assert found.range_db - 4.0 < quieter_db < found.range_db + 1.0
    assert found.ungated_db + quieter_db > 46.0


def test_without_pauses_the_gate_stays() -> None:
    """This clip runs on without a gap: what is quiet there is speech."""
    clip = sound("sibilants_female_fast")
    everything = np.ones(len(CENTRES_HZ))
    spectrum = of_recording(clip, everything)
    found, fitted = fit_gate(voice(), RIG, clip, spectrum, everything)
    assert not spectrum.has_pauses
    assert found.is_kept
    assert first_of(fitted, "gate") == first_of(voice(), "gate")


def test_no_gate_in_a_quiet_room() -> None:
    found, fitted, _ = gate(66.0)
    assert found.threshold_db is None
    assert first_of(fitted, "gate").ratio == 1.0


@pytest.mark.parametrize("gain_db", [-30.0, 12.0])
def test_level_of_the_recording_does_not_move_the_target(gain_db: float) -> None:
    """Far less gain at the microphone asks for a leveller that may raise it by more."""
    clip = sound("F1_harvard_phrases")
    found, _ = fit_leveller(voice(), voice(), clip, Context())
    other, fitted = fit_leveller(voice(), voice(), 10 ** (gain_db / 20) * clip, Context())
    assert found is not None
    assert other is not None
    assert other.recorded_db == pytest.approx(found.recorded_db + gain_db, abs=0.2)
    assert other.target_db == pytest.approx(found.target_db, abs=0.5)
    wanted_db = other.target_db - other.recorded_db
    assert first_of(fitted, "leveller").max_gain_db >= max(24.0, wanted_db + 9.0)


def test_levelled_speech_arrives_where_ordinary_speech_does() -> None:
    clip = sound("calm_then_shout_male")
    found, fitted = fit_leveller(voice(), voice(), clip, Context())
    assert found is not None
    assert abs(found.levelled_db - found.ordinary_db) > 0.7  # else there is nothing to see
    samples = np.tile(clip, 2)  # the second time counts
    for design in fitted.stages[:3]:  # condition, gate, leveller
        samples = design.build(Context()).process(samples)
    arrived_db = 20 * np.log10(active_rms(samples[len(clip) :]))
    assert arrived_db == pytest.approx(found.ordinary_db, abs=0.4)


@pytest.mark.parametrize("name", ["everyday", "gentle"])
def test_ordinary_speech_is_as_dense_as_people(name: str) -> None:
    """The four open recordings of people, their mean in dB."""
    people_db = [try_out(voice(name), RIG, sound(clip)).density_db for clip in PEOPLE]
    ordinary_db = try_out(voice(name), RIG, ordinary_speech()).density_db
    assert ordinary_db == pytest.approx(np.mean(people_db), abs=0.5)


def test_linear_phase_counts_in_the_corner() -> None:
    """Two running means taken off leave 1 - (sin(x) / x)^2, a half at the corner."""
    linear = replace(
        voice(), stages=(ConditionDesign(high_pass_hz=100.0, phase="linear"), *voice().stages[1:])
    )
    clip = spaced("M1_harvard_phrases")
    found, _ = fit_high_pass(linear, clip + hum(clip, 50.0, 60.0), SPEECH)
    assert found.corner_hz == 100.0
    orders = np.array([1.0, 3.0])
    loss_db = -20 * np.log10(1 - np.sinc(0.4429 * orders / 2) ** 2)
    assert found.left_db == pytest.approx(np.min(np.array([60.0, 66.0]) + loss_db), abs=0.7)
