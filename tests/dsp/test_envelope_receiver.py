"""The receiver against closed forms: tone, noise, band, and what selective fading does."""

import numpy as np
import pytest

from carrierfloor.dsp.envelope_receiver import (
    FADING_DB,
    FADING_DELAY_MS,
    FADING_HZ,
    ReceiverDesign,
    received,
)
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.intelligibility import estoi, reception_of
from carrierfloor.dsp.intelligibility_audio import talker
from carrierfloor.dsp.radiated import radiated, scaled_to_limit
from tests.clips import Array, rig, sound

RATE_HZ = 48_000
QUIET = 100.0  # dB


def tone(m: float, hz: float, seconds: float = 1.0) -> Array:
    return np.asarray(m * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE_HZ)) / RATE_HZ))


def amplitude(audio: Array, hz: float) -> float:
    """Of a sine in a stretch that holds a whole number of its periods."""
    turned = audio * np.exp(-2j * np.pi * hz * np.arange(len(audio)) / RATE_HZ)
    return float(2 * np.abs(turned.mean()))


def test_a_tone_comes_out_as_it_went_in() -> None:
    """Same size and same phase: 1.0 is 100 % of the carrier."""
    sent = tone(0.5, 1000.0)
    heard = received(sent, ReceiverDesign(carrier_to_noise_db=QUIET))
    assert len(heard) == len(sent)
    np.testing.assert_allclose(heard[4800:-4800], sent[4800:-4800], atol=1e-3)


@pytest.mark.parametrize(("hz", "bandwidth_hz", "passed"), [
    (5500.0, 5000.0, 0.0), (5500.0, 8000.0, 0.5), (3000.0, 3000.0, 0.0), (40.0, 5000.0, 0.0),
])  # fmt: skip
def test_the_receiver_ends_where_it_says(hz: float, bandwidth_hz: float, passed: float) -> None:
    design = ReceiverDesign(carrier_to_noise_db=QUIET, bandwidth_hz=bandwidth_hz)
    heard = received(tone(0.5, hz), design)[12_000:36_000]
    assert amplitude(heard, hz) == pytest.approx(passed, abs=1e-3)


@pytest.mark.parametrize("bandwidth_hz", [3000.0, 5000.0])
def test_noise_power(bandwidth_hz: float) -> None:
    """A detector far above its threshold hears the noise in phase with the carrier.

    Complex noise of power N in 10 kHz around a carrier of 1 has N / 10 kHz of it at each audio
    frequency (half of N, from both sidebands); a raised cosine counts 3/8 of its width.
    """
    cn_db = 40.0
    heard = received(
        np.zeros(8 * RATE_HZ),
        ReceiverDesign(carrier_to_noise_db=cn_db, bandwidth_hz=bandwidth_hz),
    )
    band_hz = 0.96 * bandwidth_hz - 100.0 + 3 / 8 * (0.04 * bandwidth_hz + 50.0)
    expected = 10 ** (-cn_db / 10) * band_hz / 10_000.0
    assert np.mean(heard**2) == pytest.approx(expected, rel=0.02)


def test_all_versions_meet_the_same_noise() -> None:
    """What noise adds to a weak tone and to none is the same, far above the threshold."""
    design = ReceiverDesign(carrier_to_noise_db=40.0, seed=7)
    quiet = received(np.zeros(RATE_HZ), design)
    with_tone = received(tone(0.01, 1000.0), design) - tone(0.01, 1000.0)
    assert np.std(with_tone - quiet) < 0.02 * np.std(quiet)
    np.testing.assert_array_equal(quiet, received(np.zeros(RATE_HZ), design))
    other = received(np.zeros(RATE_HZ), ReceiverDesign(carrier_to_noise_db=40.0, seed=8))
    assert abs(np.corrcoef(quiet, other)[0, 1]) < 0.05


def test_each_frequency_fades_by_itself() -> None:
    """At time zero the rays add up on the carrier, and half a delay's turn away they cancel.

    With a second ray r, both sidebands at 1 / (2 delay) have 1 - r of what 1 / delay has of 1 + r.
    """
    r = (10 ** (FADING_DB / 20) - 1) / (10 ** (FADING_DB / 20) + 1)
    notch_hz, peak_hz = 500.0 / FADING_DELAY_MS, 1000.0 / FADING_DELAY_MS
    design = ReceiverDesign(carrier_to_noise_db=QUIET, fading="selective")
    sent = tone(0.2, notch_hz, 0.2) + tone(0.2, peak_hz, 0.2)
    begin = received(sent, design)[240:1200]  # 20 ms, in which the rays turn by less than 2 degrees
    ratio = amplitude(begin, notch_hz) / amplitude(begin, peak_hz)
    assert ratio == pytest.approx((1 - r) / (1 + r), rel=0.05)


def test_a_fading_carrier_distorts() -> None:
    """Half a turn of the rays later the carrier has faded and its sidebands have not.

    The harmonics are those of |e(t) + r e(t - d) exp(j 2 pi f t)|, computed here for itself.
    """
    r = (10 ** (FADING_DB / 20) - 1) / (10 ** (FADING_DB / 20) + 1)
    hz, middle = 400.0, round(0.5 / FADING_HZ * RATE_HZ)
    sent = tone(0.3, hz, 1.0 / FADING_HZ)
    design = ReceiverDesign(carrier_to_noise_db=QUIET, fading="selective")
    heard = received(sent, design)[middle - 1200 : middle + 1200]  # 50 ms: 20 periods
    t = np.arange(middle - 1200, middle + 1200) / RATE_HZ
    d = FADING_DELAY_MS / 1000
    first, second = (1 + 0.3 * np.sin(2 * np.pi * hz * at) for at in (t, t - d))
    level = np.abs(first + r * second * np.exp(2j * np.pi * FADING_HZ * t))
    for harmonic in (2, 3):
        share = amplitude(heard, harmonic * hz) / amplitude(heard, hz)
        expected = amplitude(level, harmonic * hz) / amplitude(level, hz)
        assert share == pytest.approx(expected, rel=0.05)
    assert amplitude(level, 2 * hz) > 0.2 * amplitude(level, hz)  # it is heard


def test_the_gain_follows_the_carrier() -> None:
    """Without noise and modulation, what a fading carrier leaves is slower than the audio."""
    heard = received(np.zeros(5 * RATE_HZ), ReceiverDesign(carrier_to_noise_db=QUIET,
                                                           fading="selective"))  # fmt: skip
    assert np.abs(heard[4800:-4800]).max() < 0.02


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"bandwidth_hz": 100.0}, "bandwidth_hz is 100 Hz; it must be 1500 to 10000 Hz"),
        ({"carrier_to_noise_db": float("nan")}, "carrier_to_noise_db is nan dB"),
        ({"fading": "flat"}, "it must be one of: none, selective"),
        ({"seed": -1}, "seed is -1"),
    ],
)
def test_refusals(settings: dict[str, object], words: str) -> None:
    with pytest.raises(SettingError, match=words):
        ReceiverDesign(**settings)  # type: ignore[arg-type]


def test_speech_is_understood_as_by_an_ideal_receiver() -> None:
    """Far above the detector's threshold: ESTOI of dsp/intelligibility.py, which adds real noise.

    Its receiver has no carrier, no gain and other noise; ESTOI of two noises differs by 0.02.
    """
    speech = sound("F1_harvard_phrases")[48_000:168_000]
    transmitter = rig()
    card = scaled_to_limit(speech, transmitter)
    heard = received(radiated(card, transmitter), ReceiverDesign(carrier_to_noise_db=20.0))
    score = estoi(talker(speech), talker(heard))
    assert score == pytest.approx(reception_of(speech, card, transmitter).score(20.0), abs=0.03)
