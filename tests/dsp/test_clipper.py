import numpy as np
import pytest

from carrierfloor.dsp.clipper import ClipperDesign
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import CompiledStage, Context
from tests.dsp import contract


def build(
    hardness_pct: float = 100.0, negative: float = 1.0, positive: float = 1.0
) -> CompiledStage:
    context = Context(negative_limit=negative, positive_limit=positive)
    return ClipperDesign(hardness_pct=hardness_pct).build(context)


def worst_alias_db(out: contract.Audio, tone_hz: int, top_hz: int = 24_000) -> float:
    """The largest line that is no harmonic, against the tone; one second has a line each hertz."""
    lines = np.abs(np.fft.rfft(out[-contract.RATE_HZ :]))
    foreign = np.arange(len(lines)) % tone_hz != 0
    foreign[top_hz + 1 :] = False
    return float(20 * np.log10(lines[foreign].max() / lines[tone_hz]))


@pytest.mark.parametrize("positive", [1.0, 1.3])
@pytest.mark.parametrize("hardness_pct", [100.0, 90.0, 0.0])
@pytest.mark.parametrize("tone_hz", [1013, 1499, 1999, 2503, 2969])
def test_aliases_of_a_tone_clipped_by_12_db_are_80_db_down(
    tone_hz: int, hardness_pct: float, positive: float
) -> None:
    """By Fourier series a clipped tone has harmonics only; every other line is an alias.

    No harmonic of these tones falls on another's alias, as none divides 48 000.
    """
    audio = contract.tone(tone_hz, 2.0, peak=10 ** (12 / 20) * positive)
    assert worst_alias_db(build(hardness_pct, positive=positive).process(audio), tone_hz) < -80.0


def test_aliases_inside_the_audio_band_are_90_db_down() -> None:
    for tone_hz in (1013, 1999, 2969):
        out = build().process(contract.tone(tone_hz, 2.0, peak=10 ** (12 / 20)))
        assert worst_alias_db(out, tone_hz, 6000) < -90.0


@pytest.mark.parametrize("clip_db", [3.0, 6.0, 12.0, 20.0])
def test_harmonics_are_those_of_a_hard_clipped_sine(clip_db: float) -> None:
    """Fourier series of a clipped sine, integrated numerically over one period."""
    peak = 10 ** (clip_db / 20)
    out = build().process(contract.tone(401, 2.0, peak=peak))
    lines = 2 * np.abs(np.fft.rfft(out[-contract.RATE_HZ :])) / contract.RATE_HZ
    angle = (np.arange(1 << 16) + 0.5) * 2 * np.pi / (1 << 16)
    shape = np.clip(peak * np.sin(angle), -1.0, 1.0)
    for harmonic in (1, 3, 5, 7, 9):
        expected = 2 * np.mean(shape * np.sin(harmonic * angle))
        assert lines[harmonic * 401] == pytest.approx(abs(expected), abs=2e-4)


@pytest.mark.parametrize("hardness_pct", [0.0, 50.0, 90.0, 100.0])
def test_curve_for_slow_audio(hardness_pct: float) -> None:
    """A knee written out by cases: straight, then a parabola centred on the ceiling, then flat."""
    slow = np.linspace(-4.0, 4.0, 200_000)
    stage = build(hardness_pct, negative=0.9, positive=1.2)
    out = stage.process(np.append(slow, np.full(stage.latency_samples, 4.0)))
    middle = slice(1000, -1000)
    expected = np.where(slow > 0, knee(slow, 1.2, hardness_pct), -knee(-slow, 0.9, hardness_pct))
    np.testing.assert_allclose(out[stage.latency_samples :][middle], expected[middle], atol=2e-4)


def knee(x: np.ndarray, ceiling: float, hardness_pct: float) -> np.ndarray:
    begin = ceiling * hardness_pct / 100
    end = 2 * ceiling - begin
    bend = (x - begin) ** 2 / (2 * max(end - begin, 1e-12))
    return np.where(x < begin, x, np.where(x < end, x - bend, ceiling))


def test_passes_what_stays_below_the_knee() -> None:
    """A pure delay up to 8 kHz, the highest cut-off of the low-pass."""
    stage = build(90.0)
    h = contract.impulse_response(build(90.0, 100.0, 100.0))
    db = 20 * np.log10(np.abs(np.fft.rfft(h)))
    f = np.fft.rfftfreq(len(h), 1 / contract.RATE_HZ)
    assert np.abs(db[f <= 8000]).max() < 0.005
    latency = stage.latency_samples
    assert np.argmax(h) == latency
    np.testing.assert_allclose(h[: 2 * latency + 1], h[: 2 * latency + 1][::-1], atol=1e-12)


def test_ceilings_follow_the_rig_each_on_its_side() -> None:
    design = ClipperDesign(
        negative_ceiling_pct=80.0, positive_ceiling_pct=120.0, hardness_pct=100.0
    )
    stage = design.build(Context(negative_limit=0.95, positive_limit=1.25))
    flat = [stage.process(np.full(500, level))[-1] for level in (5.0, -5.0)]
    np.testing.assert_allclose(flat, [1.2 * 1.25, -0.8 * 0.95], atol=1e-3)


@pytest.mark.parametrize("level", [100.0, 1e4])
def test_40_db_and_80_db_over_stay_at_the_ceilings(level: float) -> None:
    out = build().process(level * np.sign(contract.tone(120.0)))
    assert np.all(np.isfinite(out))
    assert np.abs(out).max() < 1.3  # the filters' own overshoot on a square


def test_meters_read_what_a_clipped_sine_loses() -> None:
    """12 dB over; power of a clipped sine by numerical integration over one period."""
    stage = build()
    stage.process(contract.tone(1000.0, 2.0, peak=10 ** (12 / 20)))
    sine = 10 ** (12 / 20) * np.sin(np.linspace(0, 2 * np.pi, 100_000, endpoint=False))
    removed_db = 10 * np.log10(np.mean(sine**2) / np.mean(np.clip(sine, -1, 1) ** 2))
    assert stage.meters["clip_depth_max_db"] == pytest.approx(12.0, abs=0.01)
    assert stage.meters["clip_depth_db_now"] == pytest.approx(12.0, abs=0.2)
    assert stage.meters["removed_db"] == pytest.approx(removed_db, abs=0.02)
    stage.process(np.zeros(contract.RATE_HZ))
    assert stage.meters["clip_depth_max_db"] == pytest.approx(12.0, abs=0.01)
    assert stage.meters["clip_depth_db_now"] == 0.0


@pytest.mark.parametrize("hardness_pct", [0.0, 90.0, 100.0])
def test_stage_contract(hardness_pct: float) -> None:
    def make() -> CompiledStage:
        return build(hardness_pct, 0.95, 1.25)

    audio = contract.noise(0.3, rms=1.0)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)
    assert contract.delay_samples(audio, make().process(audio)) == make().latency_samples
    assert make().meters == {"clip_depth_max_db": 0.0, "clip_depth_db_now": 0.0, "removed_db": 0.0}


def test_hardness_out_of_range_is_refused() -> None:
    with pytest.raises(SettingError, match="hardness_pct is 101 %; it must be 0 to 100 %"):
        ClipperDesign(hardness_pct=101.0)
