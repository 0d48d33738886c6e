"""Simulated recordings against Fourier series, and against simulators that share no code.

tests/reference/cut_off_tone.py holds the closed forms; tests/reference/transmitter.py and radio.py
apply path, bends and carrier in another way.
"""

import math
from typing import Any

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.simulated_channel import ChannelDesign
from carrierfloor.dsp.simulated_detector import DetectorDesign
from carrierfloor.dsp.simulated_modulator import ModulatorDesign
from carrierfloor.dsp.simulated_receiver import Recorded
from carrierfloor.dsp.simulated_truth import Truth
from carrierfloor.dsp.simulation import Simulation, SimulationDesign
from tests.clips import rig as rig_with
from tests.clips import sound
from tests.reference import cut_off_tone
from tests.reference.radio import Array, Radio
from tests.reference.transmitter import FINE_HZ, LEAD_S, Bend, Sections, Transmitter

RATE_HZ = 48_000
FULL = 10.0 ** (-6.0 / 20.0)  # of the rigs here
LEVEL_DBFS = -12.0
FLAT = rig_with()


def simulated(
    card: Array, rig: Rig = FLAT, cut: int = 16_384, **settings: Any
) -> tuple[Recorded, Truth]:
    design = SimulationDesign(**{"kind": "iq", "rate_hz": 48_000, "carrier_s": 0.2, **settings})
    simulation = Simulation(rig, design)
    blocks = (card[at : at + cut] for at in range(0, len(card), cut))
    return np.concatenate(list(simulation.recording(blocks))), simulation.truth()


def tone(m: float, seconds: float = 1.0, hz: float = 1000.0) -> Array:
    """Card samples of a tone that makes m on FLAT, with soft ends of 0.1 s."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    soft = np.sin(np.pi / 2.0 * np.minimum(1.0, np.minimum(t, seconds - t) / 0.1)) ** 2
    return np.asarray(m * FULL * soft * np.sin(2.0 * np.pi * hz * t))


def lines_dbc(
    recording: Recorded, rate_hz: int, offsets_hz: list[float], middle_hz: float
) -> Array:
    """Lines of half a steady second, against the unmodulated carrier; from 0.4 s on."""
    n = rate_hz // 2
    steady = recording[rate_hz * 2 // 5 :][:n] * 10.0 ** (-LEVEL_DBFS / 20.0)
    half = 1.0 if np.iscomplexobj(steady) else 2.0
    window = np.hanning(n + 1)[:-1]
    spectrum = half * np.abs(np.fft.fft(steady * window)) / window.sum()
    places = [round((middle_hz + offset_hz) / 2.0) for offset_hz in offsets_hz]
    return np.asarray(20.0 * np.log10(spectrum[places]))


KINDS = [
    {"rate_hz": 48_000},
    {"rate_hz": 250_000},
    {"kind": "if"},
    {"kind": "if", "rate_hz": 192_000, "carrier_hz": 50_300.0},
]


@pytest.mark.parametrize(
    ("m", "settings"),
    [
        *((m, settings) for settings in KINDS for m in (1.05, 2.0)),
        (1.25, {"rate_hz": 1_024_000}),
    ],
)
def test_lines_of_a_tone_that_is_cut_off(m: float, settings: dict[str, Any]) -> None:
    """Carrier shift and splatter at 2, 3, 4, 5 times the tone: Fourier series, to 0.01 dB."""
    recording, truth = simulated(tone(m), **settings)
    middle_hz = settings.get("carrier_hz", 12_000.0) if settings.get("kind") == "if" else 0.0
    rate_hz = settings.get("rate_hz", 48_000)
    orders = range(1, 6)
    offsets_hz = [0.0, *(sign * 1000.0 * n for n in orders for sign in (1, -1))]
    expected = [20.0 * math.log10(cut_off_tone.carrier(m))]
    expected += [cut_off_tone.line_dbc(m, n) for n in orders for _ in range(2)]
    np.testing.assert_allclose(
        lines_dbc(recording, rate_hz, offsets_hz, middle_hz), expected, atol=0.01
    )
    assert truth.whole.positive_peak == pytest.approx(m, abs=1e-4)
    assert truth.wanted_negative_peak == pytest.approx(m, abs=1e-4)
    assert truth.negative_peak == 1.0


def test_lines_stand_in_the_noise_of_40_db() -> None:
    """Both sidebands of 2, 3, 4, 5 kHz within 0.1 dB at 40 dB in 10 kHz, from 8 s.

    A line of -40 dBc is 37 dB over the noise in its bin; 0.1 dB are three times its error.
    """
    channel = ChannelDesign(carrier_to_noise_db=40.0)
    recording, _ = simulated(tone(1.25, 9.0), channel=channel, seed=5)
    steady = recording[24_000 : 24_000 + 8 * 48_000] * 10.0 ** (-LEVEL_DBFS / 20.0)
    spectrum = np.fft.fft(steady) / len(steady)
    for n in (2, 3, 4, 5):
        pair = (abs(spectrum[8000 * n]) + abs(spectrum[-8000 * n])) / 2.0
        assert 20.0 * np.log10(pair) == pytest.approx(cut_off_tone.line_dbc(1.25, n), abs=0.1)
    between = np.abs(np.arange(len(steady)) % 8000 - 4000) < 3000  # no line there
    density = np.sum(np.abs(spectrum[between]) ** 2) / between.mean() / 48_000.0 * 10_000.0
    assert 10.0 * np.log10(density) == pytest.approx(-40.0, abs=0.1)


def test_noise_of_an_if_recording_is_counted_beside_its_carrier() -> None:
    """40 dB in 10 kHz, at 12 500 Hz: a real sine has half the power of I and Q, so has the noise.

    Of 4 kHz on either side; three sigma of 16 000 bins are 2.4 %, 0.1 dB.
    """
    channel = ChannelDesign(carrier_to_noise_db=40.0, offset_hz=500.0)
    recording, _ = simulated(np.zeros(2 * RATE_HZ), kind="if", channel=channel, carrier_s=0.0)
    power = np.abs(np.fft.rfft(recording * np.hanning(len(recording)))) ** 2
    away_hz = np.abs(np.fft.rfftfreq(len(recording), 1.0 / RATE_HZ) - 12_500.0)
    carrier, noise = power[away_hz < 5.0].sum(), power[(away_hz > 5.0) & (away_hz < 4005.0)].sum()
    assert 10.0 * np.log10(carrier / (noise * 10_000.0 / 8000.0)) == pytest.approx(40.0, abs=0.15)


@pytest.mark.parametrize("floor_pct", [5.0, 20.0])
def test_lines_behind_a_keep_alive_diode(floor_pct: float) -> None:
    """The same tone on what the diode leaves of the carrier."""
    modulator = ModulatorDesign(keep_alive_pct=floor_pct)
    recording, truth = simulated(tone(1.25), modulator=modulator)
    got = lines_dbc(recording, 48_000, [0.0, 1000.0, 2000.0, 3000.0], 0.0)
    floor = floor_pct / 100.0
    expected = [20.0 * math.log10(cut_off_tone.carrier(1.25, floor))]
    expected += [cut_off_tone.line_dbc(1.25, n, floor) for n in (1, 2, 3)]
    np.testing.assert_allclose(got, expected, atol=0.01)
    assert truth.negative_peak == pytest.approx(1.0 - floor)
    assert truth.whole.cutoffs == 0
    assert truth.wanted_negative_peak == pytest.approx(1.25, abs=1e-4)


def test_truth_of_a_tone_against_closed_forms() -> None:
    """Off for arccos(1/m)/pi of each cycle; the mean of max(0, 1 + m cos x)."""
    m, seconds = 1.25, 1.0
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    card = m * FULL * np.cos(2.0 * np.pi * 1000.0 * t)
    _, truth = simulated(card)
    off_s = cut_off_tone.off_part(m) * seconds
    assert truth.whole.cutoffs == pytest.approx(1000, abs=2)
    assert truth.whole.cutoff_total_s == pytest.approx(off_s, rel=2e-3)
    assert truth.whole.cutoff_longest_s == pytest.approx(cut_off_tone.off_part(m) / 1000, rel=0.2)
    assert truth.audio.carrier_ratio == pytest.approx(cut_off_tone.carrier(m), abs=1e-4)
    assert truth.whole.cutoff_times_s[10] == pytest.approx(
        0.2 + 0.010 + math.acos(-1 / m) / (2 * math.pi * 1000), abs=2e-6
    )


def test_truth_without_cutoff() -> None:
    """85 %: rms m / sqrt 2, power 1 + m^2 / 2."""
    _, truth = simulated(tone(0.85, 2.0))
    soft = 1.0 - 0.1 + 0.1 * 3.0 / 8.0  # mean square of both ends: sin^4 has 3/8
    assert truth.audio.rms == pytest.approx(0.85 * math.sqrt(soft / 2.0), rel=1e-3)
    assert truth.audio.power_ratio == pytest.approx(1.0 + 0.85**2 / 2.0 * soft, rel=1e-3)
    assert truth.speech.active_rms == pytest.approx(0.85 / math.sqrt(2.0), rel=0.04)
    assert truth.whole.cutoffs == 0


PATH = [{"kind": "highpass", "corner_hz": 60.0, "q": 0.8}, {"kind": "lowpass", "corner_hz": 5000.0}]


@pytest.mark.parametrize("polarity", ["normal", "inverted"])
def test_speech_through_a_bent_transmitter_is_what_another_simulator_makes(polarity: str) -> None:
    """Path, harmonics, hum, cut-off, IQ at 48 kHz with offset, drift and image, to 60 dB.

    The other one is spectral at 192 kHz and changes rate by scipy's polyphase filter, whose edge
    differs: both are compared in the 12 kHz around the carrier.
    """
    speech = sound("F1_harvard_phrases")[40_000 : 40_000 + 72_000]
    card = 3.2 * FULL * speech / np.abs(speech).max()
    card = card * np.hanning(len(card))
    rig = rig_with([PATH], polarity=polarity)
    modulator = ModulatorDesign(second_pct=4.0, third_pct=-2.0, hum_db=-34.0, hum_hz=100.0)
    channel = ChannelDesign(offset_hz=1500.0, drift_hz_per_s=20.0)
    recording, truth = simulated(
        card, rig, modulator=modulator, channel=channel, carrier_s=LEAD_S, seed=9
    )
    # Its third-order bend is 4 t v^3; ours keeps the fundamental, so its gain is 1 - 3 t less.
    gain = 1.0 + 3.0 * 0.02
    other = Transmitter(
        (Sections(tuple(PATH)), Bend(second=0.04 / gain**2, third=-0.02 / gain**3)),
        full_modulation=(-FULL if polarity == "inverted" else FULL) / gain,
    )
    m = other.modulation(card)
    m += 10.0 ** (-34.0 / 20.0) * np.sin(2.0 * np.pi * 100.0 * np.arange(len(m)) / FINE_HZ)
    envelope = np.maximum(0.0, 1.0 + m)
    radio = Radio(offset_hz=1500.0, drift_hz_per_s=20.0, amplitude=10.0 ** (LEVEL_DBFS / 20.0))
    expected = radio.iq(envelope, FINE_HZ)
    n = len(recording)
    turn = np.vdot(expected[1000:n], recording[1000:n])
    expected = expected[:n] * turn / abs(turn)
    window = np.hanning(n)
    apart, all_of_it = (np.fft.fft(window * x) for x in (recording - expected, expected))
    near = np.abs(np.fft.fftfreq(n, 1.0 / 48_000)) < 12_000.0
    assert np.sum(np.abs(apart[near]) ** 2) < 1e-6 * np.sum(np.abs(all_of_it) ** 2)
    assert truth.whole.cutoffs > 0
    assert truth.wanted_negative_peak == pytest.approx(-m.min(), abs=2e-3)
    assert truth.whole.positive_peak == pytest.approx(m.max(), abs=2e-3)


def test_detector_recording_of_a_tone() -> None:
    """DC-coupled and ideal, it is the band-limited envelope times the level."""
    detector = DetectorDesign(coupling_hz=0.0)
    recording, _ = simulated(tone(0.9), kind="detector", detector=detector, carrier_s=0.2)
    level = 10.0 ** (LEVEL_DBFS / 20.0)
    t = np.arange(len(recording)) / RATE_HZ - 0.2
    steady = (t > 0.2) & (t < 0.8)
    expected = level * (1.0 + 0.9 * np.sin(2.0 * np.pi * 1000.0 * t))
    np.testing.assert_allclose(recording[steady], expected[steady], atol=1e-5)
    np.testing.assert_allclose(recording[:9000], level, atol=1e-6)


def test_detector_hears_noise_of_the_receivers_band() -> None:
    """Weak noise only counts where it is in phase with the carrier: half its power.

    Both sides of the carrier fall together, so that 6 of the 8 kHz lie below 3 kHz of audio.
    """
    channel = ChannelDesign(carrier_to_noise_db=30.0, noise_bandwidth_hz=8000.0)
    detector = DetectorDesign(coupling_hz=0.0)
    recording, _ = simulated(
        np.zeros(2 * RATE_HZ), kind="detector", channel=channel, detector=detector
    )
    heard = recording * 10.0 ** (-LEVEL_DBFS / 20.0)
    power = np.abs(np.fft.rfft(heard) / len(heard)) ** 2 * 2.0
    audio_hz = np.fft.rfftfreq(len(heard), 1.0 / RATE_HZ)
    within = power[(audio_hz > 0.0) & (audio_hz < 3000.0)].sum()
    assert within == pytest.approx(0.5e-3 * 6.0 / 8.0, rel=0.04)  # three sigma of 7000 bins
    assert power[audio_hz > 5000.0].sum() < 1e-7


def test_image_of_an_unbalanced_receiver() -> None:
    """2 %: 34 dB below, on the other side."""
    channel = ChannelDesign(offset_hz=5000.0, imbalance_pct=2.0)
    recording, _ = simulated(tone(0.5), channel=channel)
    got = lines_dbc(recording, 48_000, [5000.0, -5000.0, -6000.0], 0.0)
    twelve = 20.0 * math.log10(0.25)
    np.testing.assert_allclose(got, [0.0, -33.979, -33.979 + twelve], atol=0.01)


def test_one_sided_band_does_not_fold() -> None:
    """With an offset of 15 kHz what lies beyond 24 kHz is filtered, not folded back."""
    recording, _ = simulated(
        tone(0.9, hz=12_000.0), channel=ChannelDesign(offset_hz=15_000.0), carrier_s=0.2
    )
    inside, folded = lines_dbc(recording, 48_000, [3000.0, 27_000.0 - 48_000.0], 0.0)
    assert inside == pytest.approx(20.0 * math.log10(0.45), abs=0.01)
    assert folded < -100.0


@pytest.mark.parametrize(
    "settings",
    [
        {"kind": "iq", "rate_hz": 64_000},
        {"kind": "if", "rate_hz": 48_000, "carrier_hz": 13_000.0},
        {"kind": "detector", "detector": DetectorDesign(knee_pct=5.0, rc_ms=0.1)},
    ],
)
def test_cutting_the_audio_changes_no_bit(settings: dict[str, Any]) -> None:
    disturbed = ChannelDesign(carrier_to_noise_db=30.0, fading_db=6.0, neighbour_db=-10.0)
    given = {"channel": disturbed, "modulator": ModulatorDesign(hum_db=-30.0), **settings}
    card = np.random.default_rng(1).standard_normal(70_001) * 0.2
    whole, _ = simulated(card, cut=len(card), **given)
    for cut in (997, 30_000):
        parts, _ = simulated(card, cut=cut, **given)
        np.testing.assert_array_equal(parts, whole)
    seconds = len(card) / RATE_HZ + 0.4
    assert len(whole) == round(seconds * settings.get("rate_hz", 48_000))


def test_seed_changes_the_noise_and_nothing_else() -> None:
    channel = ChannelDesign(carrier_to_noise_db=20.0)
    one, other, same = (
        simulated(tone(0.5, 0.5), kind="if", channel=channel, seed=seed)[0] for seed in (1, 2, 1)
    )
    np.testing.assert_array_equal(one, same)
    assert np.abs(one - other).max() > 0.01


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"kind": "radio"}, "kind is 'radio'; it must be one of: iq, if, detector"),
        ({"rate_hz": 8000}, "rate_hz is 8000 Hz; it must be 48000 to 3000000 Hz"),
        ({"channel": ChannelDesign(offset_hz=22_000.0)}, r"carrier is \+22000 Hz from the middle"),
        ({"kind": "if", "carrier_hz": 23_900.0}, "intermediate frequency is 23900 Hz"),
        ({"kind": "if", "channel": ChannelDesign(imbalance_pct=1.0)}, "imbalance goes with .* iq"),
        ({"detector": DetectorDesign(knee_pct=1.0)}, "knee goes with the kind detector only"),
        ({"kind": "detector", "channel": ChannelDesign(offset_hz=1.0)}, "offset means nothing"),
        ({"path": "80 m"}, "path is '80 m'; the rig has 'DC-coupled, flat'"),
    ],
)
def test_refuses_what_cannot_be(settings: dict[str, Any], words: str) -> None:
    with pytest.raises(SettingError, match=words):
        simulated(np.zeros(1), **settings)


def test_refuses_a_carrier_that_drifts_out_of_the_band() -> None:
    channel = ChannelDesign(drift_hz_per_s=9000.0)
    with pytest.raises(SettingError, match=r"after 2\.\d s; it must stay within 21600 Hz"):
        simulated(np.zeros(3 * RATE_HZ), channel=channel, carrier_s=1.0)
