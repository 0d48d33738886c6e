import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.phase_rotation import PhaseRotation, PhaseRotationDesign
from carrierfloor.dsp.stage import Context
from tests.dsp import contract


def build(mode: str = "on", negative: float = 0.95, positive: float = 1.25) -> PhaseRotation:
    context = Context(negative_limit=negative, positive_limit=positive)
    return PhaseRotationDesign(mode=mode).build(context)


def test_only_the_phase_changes() -> None:
    """The definition of an all-pass: magnitude 1 at every frequency."""
    magnitude = np.abs(np.fft.rfft(contract.impulse_response(build())))
    np.testing.assert_allclose(magnitude, 1.0, atol=1e-9)


def test_delay_of_low_frequencies_is_what_the_docstring_says() -> None:
    """Group delay of the impulse response by scipy.signal.group_delay."""
    h = contract.impulse_response(build(), 4096)
    f = np.array([100.0, 300.0, 600.0, 3000.0])
    delay = signal.group_delay((h, 1.0), w=f, fs=contract.RATE_HZ)[1] / 48.0
    assert delay.max() < 4.0
    assert delay[-1] < 0.3


def test_symmetric_peaks_of_people_shrink() -> None:
    """Mean of four recordings: 95 % quantile of the peaks of 20 ms frames, at equal rms."""
    gains = []
    for clip in contract.CLIPS:
        audio = contract.speech(clip)
        audio = signal.fftconvolve(audio, signal.firwin(241, 4500.0, fs=48_000), "same")
        gains.append(frame_peak_db(audio) - frame_peak_db(build().process(audio)))
    assert np.mean(gains) > 0.5


def frame_peak_db(audio: contract.Audio) -> float:
    frames = audio[: len(audio) // 960 * 960].reshape(-1, 960)
    return float(20 * np.log10(np.quantile(np.abs(frames).max(axis=1), 0.95) / np.std(audio)))


@pytest.mark.parametrize(
    ("mode", "positive", "active"),
    [
        ("auto", 0.95, True),
        ("auto", 0.99, True),
        ("auto", 1.25, False),
        ("on", 1.25, True),
        ("off", 0.95, False),
    ],
)
def test_auto_is_on_only_without_room_upward(mode: str, positive: float, active: bool) -> None:
    stage = build(mode, 0.95, positive)
    assert stage.active is active
    assert stage.meters == {"rotation_now": float(active)}
    audio = contract.noise(0.1)
    assert np.array_equal(stage.process(audio), audio) is not active


@pytest.mark.parametrize("mode", ["on", "off"])
def test_stage_contract(mode: str) -> None:
    def make() -> PhaseRotation:
        return build(mode)

    audio = contract.noise(0.3)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)
    assert contract.delay_samples(audio, make().process(audio)) == make().latency_samples


def test_unknown_mode_is_refused() -> None:
    with pytest.raises(SettingError, match="mode is 'yes'; it must be one of: auto, on, off"):
        PhaseRotationDesign(mode="yes")
