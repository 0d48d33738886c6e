import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.low_pass import LowPass, LowPassDesign
from carrierfloor.dsp.stage import Context
from tests.dsp import contract

CUTOFFS_HZ = [1500.0, 2000.0, 2700.0, 3000.0, 3500.0, 4000.0, 5000.0, 6500.0, 8000.0]


def build(cutoff_hz: float = 4000.0, stop_pct: float = 125.0, **context: float) -> LowPass:
    return LowPassDesign(cutoff_hz=cutoff_hz, stop_pct=stop_pct).build(Context(**context))


def response_db(stage: LowPass) -> tuple[np.ndarray, np.ndarray]:
    """The Fourier transform of what one sample sets off, the definition of a response."""
    h = contract.impulse_response(stage, 1 << 16)
    magnitude = np.abs(np.fft.rfft(h))
    return np.fft.rfftfreq(len(h), 1 / 48_000), 20 * np.log10(np.maximum(magnitude, 1e-12))


@pytest.mark.parametrize("stop_pct", [110.0, 125.0, 150.0])
@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
def test_passes_to_the_cut_off_and_stops_from_the_stop_edge(
    cutoff_hz: float, stop_pct: float
) -> None:
    """The requirement itself: within 0.15 dB up to one edge, 80 dB down from the other on."""
    f, db = response_db(build(cutoff_hz, stop_pct))
    assert np.abs(db[f <= cutoff_hz]).max() < 0.15
    assert db[f >= cutoff_hz * stop_pct / 100.0].max() <= -80.0


@pytest.mark.parametrize("cutoff_hz", CUTOFFS_HZ)
def test_latency_is_exact_and_the_phase_linear(cutoff_hz: float) -> None:
    """A response that is symmetric about one sample has exactly that delay at all frequencies."""
    stage = build(cutoff_hz)
    h = contract.impulse_response(stage)[: 2 * stage.latency_samples + 1]
    assert np.argmax(h) == stage.latency_samples
    np.testing.assert_allclose(h, h[::-1], atol=1e-15)
    assert not np.any(contract.impulse_response(stage)[2 * stage.latency_samples + 1 :])


def test_default_fits_the_latency_of_a_live_chain() -> None:
    assert build().latency_samples <= 130


def test_stage_contract() -> None:
    audio = contract.noise(0.3)
    contract.assert_seamless(build, audio)
    contract.assert_reset_is_fresh(build, audio)
    contract.assert_silence_stays_silent(build, audio)
    assert contract.delay_samples(audio, build().process(audio)) == build().latency_samples


def test_narrows_to_what_the_output_carries() -> None:
    """At 8 kHz the output ends at 4 kHz, so the stop edge goes there and the cut-off follows."""
    stage = build(4000.0, highest_hz=4000.0)
    assert stage.stop_hz == pytest.approx(4000.0)
    assert stage.cutoff_hz == pytest.approx(3200.0)
    assert stage.meters == {"cutoff_hz": stage.cutoff_hz, "stop_hz": stage.stop_hz}
    f, db = response_db(stage)
    assert db[f >= 4000.0].max() <= -80.0


def test_wide_output_changes_nothing() -> None:
    assert build(4000.0, highest_hz=20_000.0).cutoff_hz == 4000.0


def test_output_without_room_for_a_voice_is_refused() -> None:
    with pytest.raises(SettingError, match="carries only 400 Hz"):
        build(highest_hz=400.0)


def test_cutoff_out_of_range_is_refused() -> None:
    with pytest.raises(SettingError, match=r"cutoff_hz is 9000 Hz; it must be 1500 to 8000 Hz"):
        LowPassDesign(cutoff_hz=9000.0)
