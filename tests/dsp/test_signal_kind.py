"""What is said of signals that are no AM; each is made of speech by its own formula."""

import math

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.carrier_reference import find_reference
from carrierfloor.dsp.carrier_rows import RowMeter
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.signal_kind import lost_crest, other_than_am, part_across
from tests import clips
from tests.reference.radio import Array

RATE_HZ = 48_000
SECONDS = 6
T = np.arange(SECONDS * RATE_HZ) / RATE_HZ
RANDOM = np.random.default_rng(9)
# Speech of 200 to 3400 Hz and its Hilbert transform.
BAND = signal.firwin(401, [200, 3400], fs=RATE_HZ, pass_zero=False)
SPEECH = signal.lfilter(BAND, 1.0, clips.sound("evening_round_male")[: len(T)])
VOICE = signal.hilbert(SPEECH / np.abs(SPEECH).max())
CARRIER = np.exp(2j * np.pi * 1234.0 * T)
# Without a pause: nowhere is the carrier alone.
HISS: Array = signal.lfilter(BAND, 1.0, np.random.default_rng(2).normal(size=len(T)))
HISS /= np.abs(HISS).max()


def said(sent: Complex, noise: float = 0.003) -> str | None:
    """Return what is said of a signal with a little noise."""
    hiss = noise * (RANDOM.normal(size=len(sent)) + 1j * RANDOM.normal(size=len(sent)))
    demodulator, meter = Demodulator(RATE_HZ, is_complex=True), RowMeter()
    meter.feed(demodulator.process(sent + hiss))
    meter.feed(demodulator.finish())
    rows = meter.read()
    return other_than_am(rows, find_reference(rows), demodulator.track.was_found)


def frequency_modulated(deviation_hz: float, sound: Array = VOICE.real) -> Complex:
    turns = np.cumsum(sound) / RATE_HZ
    return np.asarray(CARRIER * np.exp(2j * np.pi * deviation_hz * turns))


@pytest.mark.parametrize("index", [0.05, 0.3, 0.9, 1.3])
def test_amplitude_modulation_is_let_through(index: float) -> None:
    assert said(np.maximum(0.0, 1.0 + index * VOICE.real) * CARRIER) is None


@pytest.mark.parametrize(
    ("sent", "word"),
    [
        (VOICE * CARRIER, "single sideband"),
        ((1.0 + 0.9 * VOICE) * CARRIER, "one sideband only"),
        ((1.0 + 0.2 * VOICE) * CARRIER, "one sideband only"),
        (VOICE.real * CARRIER, "no carrier|single sideband"),
        (frequency_modulated(2500.0), "frequency or phase modulation"),
        (frequency_modulated(5000.0), "FM|frequency or phase modulation"),
        (CARRIER * np.exp(0.5j * VOICE.real), "phase modulation"),
        (frequency_modulated(2500.0, HISS), "frequency or phase modulation"),
        (0.0 * CARRIER, "no carrier"),
        ((np.sin(4 * np.pi * T) > 0.0) * CARRIER, "keying"),
        ((1.0 + 0.8 * VOICE.real) * CARRIER * (T < 0.3), "no carrier|lines come and go|keying"),
    ],
)
def test_other_modes_are_named(sent: Complex, word: str) -> None:
    words = said(np.asarray(sent))
    assert words is not None
    assert any(part in words for part in word.split("|"))


@pytest.mark.parametrize(("frequency_hz", "index"), [(16.0, 0.95), (20.0, 1.2), (25.0, 1.3)])
def test_a_low_tone_without_a_pause_is_no_keying(frequency_hz: float, index: float) -> None:
    """The carrier is gone, or nearly so, for the greater part of some rows of 20 ms."""
    envelope = np.maximum(1.0 + index * np.sin(2 * np.pi * frequency_hz * T), 0.0)
    assert said(np.asarray(envelope * CARRIER)) is None


@pytest.mark.parametrize("words_a_minute", [12, 20, 30, 40, 45])
def test_morse_is_keying(words_a_minute: int) -> None:
    """A dot lasts 1.2 s over the words a minute, a dash three (PARIS, ITU-R M.1677)."""
    code = ".--. .- .-. .. ...  " * 20
    on = {".": [1, 0], "-": [1, 1, 1, 0], " ": [0, 0]}
    units = np.concatenate([on[sign] for sign in code])
    key = np.repeat(units, round(1.2 / words_a_minute * RATE_HZ))[: len(T)]
    soft = np.convolve(key, signal.windows.hann(240) / 119.5, "same")
    words = said(np.asarray(soft * CARRIER[: len(soft)]))
    assert words is not None
    assert "keying" in words


def test_a_station_as_strong_within_the_band_is_refused() -> None:
    other = 0.4 * np.exp(2j * np.pi * 5000.0 * T)
    words = said((1.0 + 0.8 * VOICE.real) * CARRIER + other)
    assert words is not None
    assert "another station" in words


def test_strong_noise_is_refused() -> None:
    words = said((1.0 + 0.8 * VOICE.real) * CARRIER, 0.3)
    assert words is not None
    assert "noise" in words


@pytest.mark.parametrize("phase", [0.0, 0.2])
def test_phase_modulation_on_top_is_measured(phase: float) -> None:
    """e^(j p v) moves p v across the carrier for every v along it: p^2 of the power."""
    voice: Array = VOICE.real
    demodulator, meter = Demodulator(RATE_HZ, is_complex=True), RowMeter()
    meter.feed(demodulator.process((1.0 + 0.8 * voice) * np.exp(1j * phase * voice) * CARRIER))
    meter.feed(demodulator.finish())
    rows = meter.read()
    across = part_across(rows, find_reference(rows))
    assert across == pytest.approx((phase / 0.8) ** 2, rel=0.15, abs=1e-3)


def test_what_a_moving_phase_takes_off_a_crest() -> None:
    """Along the carrier (1 + m) cos(0.25 m) is left; a phase that moves by itself takes nothing."""
    voice: Array = VOICE.real
    flutter = np.cumsum(np.random.default_rng(5).normal(size=len(T))) * 0.002
    true = 1.8 * (1.0 - math.cos(0.2))
    for phase, expected in ((0.0 * voice, 0.0), (0.2 * voice, true), (flutter, 0.0)):
        demodulator, meter = Demodulator(RATE_HZ, is_complex=True), RowMeter()
        sent = (1.0 + 0.8 * voice) * np.exp(1j * phase) * CARRIER
        meter.feed(demodulator.process(sent))
        meter.feed(demodulator.finish())
        rows = meter.read()
        lost = lost_crest(rows, find_reference(rows), 0.8)
        assert lost == pytest.approx(expected, rel=0.15, abs=2e-3)
