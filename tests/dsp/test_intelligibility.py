"""Intelligibility under noise, against a computation of its own in tests/bench/intelligibility.py.

That one applies the path in the frequency domain, interpolates the trough eight times by a
transform and has its own receiver; only pystoi is the same.
"""

import math
from concurrent.futures import ThreadPoolExecutor
from functools import cache, partial

import numpy as np
import pytest
from pystoi import stoi

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.intelligibility import (
    Reception,
    effective_power_gain_db,
    estoi,
    noise_rms,
    reception_of,
    scaled_reception,
)
from carrierfloor.dsp.intelligibility_audio import RECEIVER_RATE_HZ, talker
from carrierfloor.dsp.intelligibility_trial import check_speech, try_setting
from carrierfloor.dsp.prediction import AntennaMeter
from tests import clips
from tests.bench import intelligibility as judge

RIG = presets.rig()
SCORES = (0.3, 0.5, 0.7)


@cache
def speech() -> clips.Array:
    """Return two seconds of a woman, faded in and out.

    A hard cut would ring ahead of the first sample, where the judge's sound goes on in a circle.
    """
    cut = clips.sound("F1_harvard_phrases")[24_000:120_000]
    from_edge = np.minimum(np.arange(len(cut)), np.arange(len(cut))[::-1])
    return np.asarray(cut * np.minimum(1.0, from_edge / 2400))


@cache
def card() -> clips.Array:
    """Return what the everyday voice makes of it."""
    chain = Chain(clips.voice(), RIG)
    return clips.run(chain, speech())[chain.latency_samples :][: len(speech())]


@cache
def processed() -> Reception:
    return reception_of(speech(), card(), RIG)


@cache
def scaled() -> Reception:
    return scaled_reception(speech(), RIG)


@cache
def judged() -> judge.Result:
    """Return what the judge says of the same samples."""
    modulation = card() / RIG.level.sample_at_full_modulation
    return judge.compare("", judge.reference(speech(), RIG), modulation, RIG)


def test_speech_merely_scaled_agrees_with_the_judge() -> None:
    """Audio within 1e-4 of full modulation, scores within 1e-5."""
    theirs = judge.reference(speech(), RIG)
    np.testing.assert_allclose(scaled().clean, theirs.clean, atol=1e-4)
    np.testing.assert_allclose(scaled().audio, theirs.audio, atol=1e-4)
    for cn_db in (0.0, 10.0):
        assert scaled().score(cn_db) == pytest.approx(theirs.score(cn_db), abs=1e-5)


def test_power_gain_agrees_with_the_judge() -> None:
    """Within 0.001 dB, and scores without noise within 1e-5."""
    for score, gain_db in zip(SCORES, judged().gains_db, strict=True):
        ours_db = effective_power_gain_db(scaled(), processed(), score)
        assert ours_db == pytest.approx(gain_db, abs=1e-3)
    ours = processed().score_without_noise
    assert ours == pytest.approx(judged().score_without_noise, abs=1e-5)


def test_twice_the_modulation_is_worth_6_decibels() -> None:
    """Closed form: audio twice as strong needs a quarter of the carrier power.

    Scores are interpolated between steps of 2 dB, which leaves a tenth of a decibel open.
    """
    louder = Reception(scaled().clean, 2.0 * scaled().audio)
    for score in SCORES:
        gain_db = effective_power_gain_db(scaled(), louder, score)
        assert gain_db == pytest.approx(20.0 * math.log10(2.0), abs=0.1)


def test_the_level_of_the_speech_does_not_matter() -> None:
    """All is scaled to the same trough."""
    quiet = scaled_reception(0.01 * speech(), RIG)
    np.testing.assert_allclose(quiet.audio, scaled().audio, atol=1e-9)


def test_noise_of_a_carrier_to_noise_ratio() -> None:
    """Noise in 10 kHz around a carrier of 1, through a synchronous detector written out here."""
    rate_hz, carrier_hz, cn_db, seconds = 100_000, 25_000, 6.0, 4
    bins = np.fft.rfft(np.random.default_rng(3).standard_normal(seconds * rate_hz))
    frequency_hz = np.fft.rfftfreq(seconds * rate_hz, 1 / rate_hz)
    band = np.fft.irfft(bins * (np.abs(frequency_hz - carrier_hz) <= 5_000.0))
    band *= math.sqrt(0.5 / 10 ** (cn_db / 10) / np.mean(band**2))
    t = np.arange(len(band)) / rate_hz
    detected = np.fft.rfft(2.0 * band * np.cos(2 * np.pi * carrier_hz * t))
    audio = np.fft.irfft(detected * (frequency_hz <= 5_000.0))
    assert noise_rms(cn_db) == pytest.approx(float(np.sqrt(np.mean(audio**2))), rel=0.01)


def test_more_carrier_is_understood_better_up_to_what_processing_left() -> None:
    scores = [processed().score(cn_db) for cn_db in (-6.0, 0.0, 6.0, 80.0)]
    assert scores == sorted(scores)
    assert scores[-1] == pytest.approx(processed().score_without_noise, abs=1e-3)


def test_a_score_that_is_never_reached() -> None:
    assert math.isnan(processed().cn_needed_db(0.999))
    assert math.isnan(effective_power_gain_db(scaled(), processed(), 0.999))


def test_the_same_number_each_time_and_nobody_elses_random_numbers_disturbed() -> None:
    """pystoi draws from numpy's shared generator; the draws of others go on as if it did not.

    In bands that hold nothing those draws are all there is, and the score hangs on them.
    """
    bins = np.fft.rfft(scaled().audio)
    bins[len(bins) * 2 // 5 :] = 0.0  # nothing above 2 kHz
    dull = np.fft.irfft(bins, len(scaled().audio))
    drawn = {stoi(scaled().clean, dull, RECEIVER_RATE_HZ, extended=True) for _ in range(3)}
    assert len(drawn) == 3
    np.random.seed(7)  # noqa: NPY002
    expected = np.random.standard_normal(2)  # noqa: NPY002
    np.random.seed(7)  # noqa: NPY002
    first = np.random.standard_normal()  # noqa: NPY002
    scores = {estoi(scaled().clean, dull) for _ in range(2)}
    with ThreadPoolExecutor(4) as threads:  # as in a worker of a cluster that has several
        scores |= set(threads.map(partial(estoi, scaled().clean), [dull] * 8))
    assert len(scores) == 1
    assert [first, np.random.standard_normal()] == list(expected)  # noqa: NPY002


def test_a_trial_of_a_voice() -> None:
    """Its gain is the judge's within 0.05 dB, although the chain here fades out within the phrase.

    Peaks and density are those of the prediction of the same samples.
    """
    trial, reference = (try_setting(speech(), voice, RIG, [6.0]) for voice in (clips.voice(), None))
    for score, gain_db in zip((0.5, 0.7), judged().gains_db[1:], strict=True):
        ours_db = reference.cn_needed_db[score] - trial.cn_needed_db[score]
        assert ours_db == pytest.approx(gain_db, abs=0.05)
    assert trial.scores[6.0] == pytest.approx(processed().score(6.0), abs=0.002)
    meter = AntennaMeter(RIG)
    meter.feed(card())
    predicted = meter.finish()
    assert trial.negative_peak == pytest.approx(predicted.modulation.negative_peak, abs=1e-4)
    assert trial.positive_peak == pytest.approx(predicted.modulation.positive_peak, abs=1e-4)
    assert trial.density == pytest.approx(predicted.speech.active_rms, rel=0.01)
    assert trial.cutoffs == 0
    assert trial.clipper_removed_db is not None
    assert trial.clipper_removed_db > 0.0


def test_a_trial_of_speech_merely_scaled() -> None:
    """Its trough lies at the limit of the rig, 95 %, as sent and as scored."""
    trial = try_setting(speech(), None, RIG, [])
    assert trial.negative_peak == pytest.approx(0.95, abs=1e-4)
    assert trial.raised_db == pytest.approx(0.0, abs=1e-3)
    assert trial.clipper_removed_db is None


def test_too_little_speech_is_refused() -> None:
    for seconds in (0.01, 0.35):
        short = talker(speech()[: round(48_000 * seconds)])
        with pytest.raises(AudioError, match="too little speech"):
            estoi(short, short)
        with pytest.raises(AudioError, match="too little speech"):
            check_speech(speech()[: round(48_000 * seconds)])
    silence = np.zeros(RECEIVER_RATE_HZ)
    with pytest.raises(AudioError, match="too little speech"):
        estoi(silence, silence)


def test_silence_has_no_trough() -> None:
    with pytest.raises(AudioError, match="nothing is modulated"):
        scaled_reception(np.zeros(48_000), RIG)
