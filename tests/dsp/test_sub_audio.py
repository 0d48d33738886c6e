import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import CompiledStage, Context
from carrierfloor.dsp.sub_audio import SubAudioDesign
from tests.dsp import contract


def build(corner_hz: float = 30.0) -> CompiledStage:
    return SubAudioDesign(corner_hz=corner_hz).build(Context())


@pytest.mark.parametrize("corner_hz", [10.0, 30.0, 100.0])
def test_equals_scipys_butterworth(corner_hz: float) -> None:
    """scipy.signal.butter, second order: the same bilinear transform."""
    audio = contract.noise(0.5)
    expected = signal.sosfilt(signal.butter(2, corner_hz, "high", fs=48_000, output="sos"), audio)
    np.testing.assert_allclose(build(corner_hz).process(audio), expected, atol=1e-12)


def test_step_undershoots_as_a_butterworth_does() -> None:
    """Closed form for a second-order Butterworth high-pass: exp(-pi/2) = 20.79 % below zero."""
    out = build().process(np.ones(contract.RATE_HZ))
    assert out.min() == pytest.approx(-np.exp(-np.pi / 2), abs=1e-3)


def test_moving_baseline_goes() -> None:
    """A 10 % baseline at 2 Hz under a tone: (2/30)^2 of it is left."""
    audio = 0.1 * contract.tone(2.0, 4.0) + contract.tone(400.0, 4.0)
    lines = np.abs(np.fft.rfft(build().process(audio)[-2 * contract.RATE_HZ :]))
    assert lines[4] / lines[800] == pytest.approx(0.1 * (2.0 / 30.0) ** 2, rel=0.02)


def test_stage_contract() -> None:
    audio = contract.noise(0.3)
    contract.assert_seamless(build, audio)
    contract.assert_reset_is_fresh(build, audio)
    contract.assert_silence_stays_silent(build, audio)
    assert build().latency_samples == 0
    assert np.argmax(np.abs(contract.impulse_response(build()))) == 0


def test_corner_out_of_range_is_refused() -> None:
    with pytest.raises(SettingError, match="corner_hz is 5 Hz; it must be 10 to 100 Hz"):
        SubAudioDesign(corner_hz=5.0)
