"""The simulated modulator against closed forms."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.simulated_modulator import SOFT_RANGE, ModulatorDesign, SimulatedModulator
from carrierfloor.dsp.stage import Block

RATE_HZ = 768_000.0
TURN = np.arange(768) / 768.0  # one cycle of 1 kHz
COSINE = np.cos(2.0 * np.pi * TURN)


def lines(waveform: Block) -> Block:
    """Real amplitudes of cos 0, cos x, cos 2x ... of one cycle."""
    spectrum = np.fft.rfft(waveform).real / len(waveform)
    return np.asarray(np.concatenate([spectrum[:1], 2.0 * spectrum[1:]]))


@pytest.mark.parametrize("height", [1.0, 0.3])
def test_harmonics_have_their_share_and_sign(height: float) -> None:
    """2 s v^2 and t (4 v^3 - 3 v) of v = A cos x, by the addition theorems."""
    second, third = 0.04, -0.03
    design = ModulatorDesign(second_pct=100.0 * second, third_pct=100.0 * third)
    wanted, envelope = SimulatedModulator(design, RATE_HZ).process(height * COSINE)
    expected = [
        second * height**2,
        height + 3.0 * third * (height**3 - height),
        second * height**2,
        third * height**3,
        0.0,
    ]
    np.testing.assert_allclose(lines(wanted)[:5], expected, atol=1e-12)
    np.testing.assert_allclose(envelope, np.maximum(0.0, 1.0 + wanted), atol=1e-15)


def test_crests_are_compressed_softly_and_troughs_are_left_alone() -> None:
    """Unchanged below 80 %, the same slope just above, never beyond 130 %."""
    design = ModulatorDesign(compress_pct=80.0)
    modulation = np.linspace(-2.0, 20.0, 220_001)
    wanted, _ = SimulatedModulator(design, RATE_HZ).process(modulation)
    below = modulation <= 0.8
    np.testing.assert_array_equal(wanted[below], modulation[below])
    slope = np.diff(wanted) / np.diff(modulation)
    assert slope.min() >= 0.0
    assert slope[~below[:-1]][0] == pytest.approx(1.0, abs=1e-4)
    assert wanted[-1] == pytest.approx(0.8 + SOFT_RANGE, abs=1e-9)


def test_the_carrier_goes_off_and_does_not_turn_over() -> None:
    """e = max(0, 1 + m), what a plate-modulated final does past 100 %."""
    _, envelope = SimulatedModulator(ModulatorDesign(), RATE_HZ).process(1.5 * COSINE)
    np.testing.assert_allclose(envelope, np.maximum(0.0, 1.0 + 1.5 * COSINE), atol=1e-15)


def test_a_diode_holds_the_envelope_at_its_floor() -> None:
    design = ModulatorDesign(keep_alive_pct=5.0)
    wanted, envelope = SimulatedModulator(design, RATE_HZ).process(1.5 * COSINE)
    assert wanted.min() == pytest.approx(-1.5)
    np.testing.assert_allclose(envelope, np.maximum(0.05, 1.0 + 1.5 * COSINE), atol=1e-15)


def test_hum_is_a_sine_of_its_level() -> None:
    """-40 dB of 100 % is 0.01, in phase with the number of the sample."""
    design = ModulatorDesign(hum_db=-40.0, hum_hz=120.0)
    wanted, _ = SimulatedModulator(design, RATE_HZ, -500).process(np.zeros(10_000))
    t = np.arange(-500, 9500) / RATE_HZ
    np.testing.assert_allclose(wanted, 0.01 * np.sin(2.0 * np.pi * 120.0 * t), atol=1e-12)


@pytest.mark.parametrize("cut", [1, 7, 4096])
def test_cutting_the_stream_changes_no_bit(cut: int) -> None:
    design = ModulatorDesign(second_pct=3.0, third_pct=-2.0, compress_pct=70.0, hum_db=-30.0)
    noise = np.random.default_rng(1).standard_normal(5000)
    whole = SimulatedModulator(design, RATE_HZ).process(noise)
    modulator = SimulatedModulator(design, RATE_HZ)
    parts = [modulator.process(noise[at : at + cut]) for at in range(0, len(noise), cut)]
    for number in (0, 1):
        joined = np.concatenate([part[number] for part in parts])
        np.testing.assert_array_equal(joined, whole[number])


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("second_pct", 31.0),
        ("third_pct", float("nan")),
        ("compress_pct", 5.0),
        ("keep_alive_pct", 60.0),
        ("hum_db", 1.0),
        ("hum_hz", 0.0),
    ],
)
def test_refuses_what_is_out_of_range(key: str, value: float) -> None:
    with pytest.raises(SettingError, match=f"modulator: {key} is .*it must be"):
        ModulatorDesign(**{key: value})
