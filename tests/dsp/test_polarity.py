import numpy as np
import pytest

from carrierfloor.dsp.condition import ConditionDesign
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.polarity import FADE, PolarityDesign
from carrierfloor.dsp.stage import CompiledStage, Context
from tests.dsp import contract


def build(mode: str = "auto") -> CompiledStage:
    return PolarityDesign(mode=mode).build(Context())


def pulses(seconds: float, peak: float = 0.8, hz: float = 120.0) -> contract.Audio:
    """A voice-like train: a sharp peak upward, a shallow swing downward, no DC, no pause."""
    phase = np.arange(round(seconds * contract.RATE_HZ)) * hz / contract.RATE_HZ % 1.0
    shape = np.exp(-((phase - 0.5) ** 2) / 0.002)
    return np.asarray(peak * (shape - shape.mean()))


def clipping_error(audio: contract.Audio) -> float:
    """What a hard clip at 95 % down and 125 % up takes off, 9 dB over an rms of -20 dB."""
    driven = audio / np.std(audio) * 10 ** (-11 / 20)
    return float(np.mean((driven - np.clip(driven, -0.95, 1.25)) ** 2))


@pytest.mark.parametrize("clip", contract.CLIPS)
@pytest.mark.parametrize("given", [1.0, -1.0])
def test_finds_the_polarity_in_which_clipping_takes_least(clip: str, given: float) -> None:
    """Both polarities of each recording are clipped in numpy, and the better one must come out."""
    audio = given * ConditionDesign().build(Context()).process(contract.speech(clip))
    stage = build()
    stage.process(np.tile(audio, 2))
    better = 1.0 if clipping_error(audio) < clipping_error(-audio) else -1.0
    assert stage.meters["polarity_now"] == better


@pytest.mark.parametrize("given", [1.0, -1.0])
def test_learns_within_one_second_of_speech(given: float) -> None:
    stage = build()
    stage.process(given * contract.speech("M2")[: 2 * contract.RATE_HZ])
    assert stage.meters["polarity_now"] == given


def test_turns_without_a_pause_but_not_for_ever() -> None:
    """Half a second to decide, one second to wait for a pause that does not come."""
    stage = build()
    stage.process(-pulses(1.4))
    assert stage.meters["polarity_now"] == 1.0
    stage.process(-pulses(0.4))
    assert stage.meters["polarity_now"] == -1.0


def test_turns_at_once_in_a_pause() -> None:
    stage = build()
    stage.process(-pulses(0.8))
    stage.process(np.zeros(4 * 1024))
    assert stage.meters["polarity_now"] == -1.0


def test_change_makes_no_click() -> None:
    """A click is energy where the audio has none: a 200 Hz tone that fades stays below 2 kHz."""
    t = np.arange(4 * contract.RATE_HZ) / contract.RATE_HZ
    audio = -(np.cos(2 * np.pi * 200 * t) + 0.5 * np.cos(2 * np.pi * 400 * t))
    stage = build()
    out = stage.process(audio)
    assert stage.meters["turns"] == 1
    spectrum = np.abs(np.fft.rfft(out * np.hanning(len(out)))) ** 2
    f = np.fft.rfftfreq(len(out), 1 / contract.RATE_HZ)
    assert 10 * np.log10(spectrum[f > 2000].sum() / spectrum.sum()) < -100.0


def test_fade_is_smooth_and_only_changes_the_sign() -> None:
    stage = build()
    audio = -pulses(3.0)
    gain = stage.process(audio) / audio
    moving = np.flatnonzero(np.abs(np.abs(gain) - 1.0) > 1e-9)
    assert moving[-1] - moving[0] < FADE
    assert np.abs(np.diff(gain)).max() < 4.0 / FADE
    np.testing.assert_allclose(gain[: moving[0]], 1.0)
    np.testing.assert_allclose(gain[moving[-1] + 1 :], -1.0)


def test_symmetric_audio_never_turns() -> None:
    stage = build()
    stage.process(contract.noise(20.0))
    assert stage.meters["turns"] == 0
    assert abs(stage.meters["asymmetry_db"]) < 0.3


def test_asymmetry_reads_the_ratio_of_the_peaks() -> None:
    """A train of pulses that are the same: 20 log10 of its highest over its lowest sample."""
    stage, audio = build(), pulses(3.0)
    stage.process(audio)
    expected = 20 * np.log10(audio.max() / -audio.min())
    assert stage.meters["asymmetry_db"] == pytest.approx(expected, abs=0.05)


def test_another_talker_is_learned_too() -> None:
    """After ten seconds of one voice, ten of its mirror image turn the switch once."""
    stage = build()
    stage.process(pulses(10.0))
    stage.process(-pulses(12.0))
    assert stage.meters["polarity_now"] == -1.0
    assert stage.meters["turns"] == 1


@pytest.mark.parametrize(("mode", "sign"), [("as_is", 1.0), ("inverted", -1.0)])
def test_fixed_modes(mode: str, sign: float) -> None:
    audio = -pulses(3.0)
    np.testing.assert_array_equal(build(mode).process(audio), sign * audio)


@pytest.mark.parametrize("mode", ["auto", "as_is", "inverted"])
def test_stage_contract(mode: str) -> None:
    def make() -> CompiledStage:
        return build(mode)

    audio = -pulses(2.0)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)
    assert make().latency_samples == 0
    assert contract.delay_samples(audio[:1000], make().process(audio)[:1000]) == 0


def test_unknown_mode_is_refused() -> None:
    with pytest.raises(SettingError, match="mode is 'up'; it must be one of: auto, as_is, inver"):
        PolarityDesign(mode="up")
