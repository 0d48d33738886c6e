import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.condition import ConditionDesign
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import CompiledStage, Context
from tests.dsp import contract


def build(high_pass_hz: float = 90.0, phase: str = "linear") -> CompiledStage:
    return ConditionDesign(high_pass_hz=high_pass_hz, phase=phase).build(Context())


def gain_db(stage: CompiledStage, frequency_hz: list[float]) -> np.ndarray:
    h = contract.impulse_response(stage)
    response = signal.freqz(h, worN=frequency_hz, fs=contract.RATE_HZ)[1]
    return np.asarray(20 * np.log10(np.abs(response)))


@pytest.mark.parametrize("corner_hz", [20.0, 90.0, 120.0, 300.0])
def test_linear_phase_is_the_delayed_input_less_two_running_means(corner_hz: float) -> None:
    """scipy.signal.lfilter with the impulse response written out from that definition."""
    stage = build(corner_hz)
    mean = stage.latency_samples + 1
    h = -np.convolve(np.ones(mean), np.ones(mean)) / mean**2
    h[mean - 1] += 1.0
    audio = contract.noise(0.5)
    np.testing.assert_allclose(stage.process(audio), signal.lfilter(h, 1.0, audio), atol=1e-6)


@pytest.mark.parametrize("corner_hz", [20.0, 90.0, 300.0])
def test_linear_phase_is_6_db_down_at_its_corner(corner_hz: float) -> None:
    """1 - (sin(pi x)/(pi x))^2 = 1/2 there by design; 12 dB per octave below (x^2 for small x)."""
    at_corner, octave, lower, high = gain_db(
        build(corner_hz), [corner_hz, corner_hz / 8, corner_hz / 16, corner_hz * 20]
    )
    assert at_corner == pytest.approx(-6.02, abs=0.1)
    assert octave - lower == pytest.approx(12.04, abs=0.1)
    assert high == pytest.approx(0.0, abs=0.05)


def test_minimum_phase_equals_scipys_butterworth() -> None:
    """scipy.signal.butter, second order: the same bilinear transform."""
    audio = contract.noise(0.5)
    expected = signal.sosfilt(signal.butter(2, 90.0, "high", fs=48_000, output="sos"), audio)
    np.testing.assert_allclose(build(phase="minimum").process(audio), expected, atol=1e-12)


@pytest.mark.parametrize("phase", ["linear", "minimum"])
def test_dc_is_blocked_for_good(phase: str) -> None:
    """An hour's worth of drift would show in the sums: they are exact, so DC gives DC 0."""
    stage = build(phase=phase)
    out = stage.process(np.full(60 * contract.RATE_HZ, 0.3))
    assert np.abs(out[contract.RATE_HZ :]).max() < 1e-6


def test_latency_is_exact_and_the_phase_linear() -> None:
    """A response that is symmetric about one sample has exactly that delay at all frequencies."""
    stage = build()
    h = contract.impulse_response(stage)[: 2 * stage.latency_samples + 1]
    assert np.argmax(h) == stage.latency_samples
    np.testing.assert_allclose(h, h[::-1], atol=1e-6)
    assert stage.latency_samples <= 270


def modulation_db(audio: contract.Audio) -> float:
    """Rms at a trough of 95 % or a crest of 125 %, low-passed at 4 kHz, in the better polarity."""
    taps = signal.firwin(241, 4500.0, window=("kaiser", 8.0), fs=48_000)
    audio = signal.fftconvolve(audio, taps, "same")
    crest, trough = audio.max(), -audio.min()
    gain = max(min(0.95 / trough, 1.25 / crest), min(0.95 / crest, 1.25 / trough))
    return float(20 * np.log10(gain * np.std(audio)))


def ideal_linear_phase(audio: contract.Audio) -> contract.Audio:
    """The magnitude of a second-order Butterworth high-pass at 90 Hz and no phase, by FFT."""
    padded = 2 * len(audio)
    f = np.fft.rfftfreq(padded, 1 / contract.RATE_HZ)
    magnitude = f**2 / np.sqrt(f**4 + 90.0**4)
    return np.fft.irfft(np.fft.rfft(audio, padded) * magnitude)[: len(audio)]


@pytest.mark.parametrize("clip", contract.CLIPS)
def test_keeps_the_peaks_of_people(clip: str) -> None:
    """At most 0.3 dB of modulation away from an ideal high-pass of linear phase."""
    audio = contract.speech(clip)
    ours = modulation_db(build().process(audio))
    assert ours > modulation_db(ideal_linear_phase(audio)) - 0.3


def test_minimum_phase_turns_the_peaks_of_a_man_around() -> None:
    """Why linear is the default: on one recording the other choice costs more than 1 dB."""
    audio = contract.speech("M1")
    lost_db = modulation_db(ideal_linear_phase(audio)) - modulation_db(
        build(phase="minimum").process(audio)
    )
    assert lost_db > 1.0


def test_what_is_no_audio_becomes_silence_and_is_counted() -> None:
    audio = contract.noise(0.1)
    clean = audio.copy()
    audio[[100, 200, 300, 4000]] = [np.nan, np.inf, -np.inf, 1e9]
    clean[[100, 200, 300, 4000]] = 0.0
    stage = build()
    np.testing.assert_array_equal(stage.process(audio), build().process(clean))
    assert stage.meters["refused_samples"] == 4


def test_sums_stay_exact_at_the_largest_input() -> None:
    """Noise of 60 dB over full scale, then silence: any drift would leave an offset."""
    stage = build(20.0)
    stage.process(np.clip(contract.noise(5.0, rms=500.0), -1024, 1024))
    assert not np.any(stage.process(np.zeros(4000))[-100:])


@pytest.mark.parametrize("phase", ["linear", "minimum"])
def test_stage_contract(phase: str) -> None:
    def make() -> CompiledStage:
        return build(phase=phase)

    audio = contract.noise(0.3)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)
    assert contract.delay_samples(audio, make().process(audio)) == make().latency_samples


def test_unknown_phase_is_refused() -> None:
    with pytest.raises(SettingError, match="phase is 'maximum'; it must be one of"):
        ConditionDesign(phase="maximum")
