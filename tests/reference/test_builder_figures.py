"""The builder's arithmetic against circuits solved apart, integrals and printed examples.

Sources: US Navy, NEETS module 12 (plate swing); R. Lee, "Electronic Transformers and Circuits"
(2000 V, 0.25 A: 8000 ohms, 500 W, 250 W; reactances of 3 to 4 times Eb / Ib; attribution from
memory); 47 CFR 97.3(b)(9) and 97.313(b); Kirchhoff's laws.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp import carrier, modulation_transformer, plate_modulation

Array = NDArray[np.float64]

PHASE = 2 * np.pi * (np.arange(10_000) + 0.5) / 10_000  # one cycle


def test_plate_modulated_example() -> None:
    """R. Lee: 2000 V at 0.25 A is 500 W and 8000 ohms, and wants 250 W of audio."""
    input_w = plate_modulation.plate_input_w(2000.0, 0.25)
    load_ohm = plate_modulation.modulating_impedance_ohm(2000.0, 0.25)
    assert (input_w, load_ohm) == (500.0, 8000.0)
    assert plate_modulation.sine_audio_w(input_w, 1.0) == 250.0
    assert 1414.2**2 / load_ohm == pytest.approx(250.0, rel=1e-4)  # the same by its rms voltage


def test_1250_v_supply_and_300_w_carrier() -> None:
    """Common practice, no source: 2500 V at the crest, 0 V at the trough, 1200 W PEP at 100 %."""
    assert carrier.peak_plate_v(1250.0, 1.0) == 2500.0
    assert plate_modulation.trough_plate_v(1250.0, 1.0) == 0.0
    assert carrier.pep_w(300.0, 1.0) == 1200.0
    assert carrier.pep_w(300.0, 1.5) == 1875.0


@pytest.mark.parametrize("index", [0.3, 0.85, 0.95, 1.0])
def test_audio_power_of_a_sine_is_its_mean(index: float) -> None:
    """Mean of v^2 / R over a cycle, v = m Eb sin, R = Eb / Ib: m^2 / 2 of the DC input."""
    supply_v, current_a = 1250.0, 0.32
    audio_v = index * supply_v * np.sin(PHASE)
    mean_w = float(np.mean(audio_v**2)) / (supply_v / current_a)
    assert plate_modulation.sine_audio_w(supply_v * current_a, index) == pytest.approx(mean_w)


def test_audio_power_between_limits_that_differ() -> None:
    """+125 / -95 %: v^2 / R at both instants of a wave with those peaks, and what a sine can do.

    A sine that kept to +125 % alone would go down to -125 % and cut the carrier off.
    """
    supply_v, current_a = 2000.0, 0.25
    voice = np.interp(np.sin(PHASE), [-1.0, 0.0, 1.0], [-0.95, 0.0, 1.25])
    power_w = (voice * supply_v) ** 2 / (supply_v / current_a)
    up, down = float(power_w[voice.argmax()]), float(power_w[voice.argmin()])
    assert plate_modulation.instant_audio_w(500.0, 1.25) == pytest.approx(up, rel=1e-6)
    assert plate_modulation.instant_audio_w(500.0, 0.95) == pytest.approx(down, rel=1e-6)
    sine = plate_modulation.largest_sine(0.95, 1.25) * np.sin(PHASE)
    assert (sine.min(), sine.max()) == pytest.approx((-0.95, 0.95))
    assert plate_modulation.largest_sine(0.95, 0.9) == 0.9
    rating_w = plate_modulation.sine_audio_w(500.0, 1.25)  # of a modulator that reaches the crest
    assert 2.0 * rating_w == pytest.approx(up, rel=1e-6)
    assert plate_modulation.audio_peak_v(supply_v, 1.25) == 2500.0


def test_keep_alive_supply_holds_the_floor() -> None:
    """An ideal diode feeds max(plate, keep-alive): unused up to the limit, the floor beyond it."""
    supply_v, limit = 1250.0, 0.95
    floor_v = plate_modulation.keep_alive_v(supply_v, limit)
    within = supply_v * (1 + limit * np.sin(PHASE))
    np.testing.assert_array_equal(np.maximum(within, floor_v - 1e-9), within)
    beyond = np.maximum(supply_v * (1 + 1.3 * np.sin(PHASE)), floor_v)
    assert beyond.min() / supply_v == pytest.approx(1 - limit)
    assert floor_v == pytest.approx(62.5)
    assert plate_modulation.trough_plate_v(supply_v, 1.3) == 0.0  # cut off, not reversed


def test_rf_on_the_plate() -> None:
    """A tank that swings by the plate voltage of the moment: the highest point of the product."""
    plate_v = 1000.0 * (1 + 1.25 * np.sin(PHASE))
    with_rf_v = plate_v.max() * (1 + np.cos(np.linspace(0, 2 * np.pi, 1000)))
    found_v = plate_modulation.peak_plate_with_rf_v(1000.0, 1.25)
    assert found_v == pytest.approx(with_rf_v.max(), rel=1e-6)


def test_efficiency() -> None:
    assert plate_modulation.plate_efficiency(180.0, 240.0) == 0.75


@pytest.mark.parametrize("carrier_w", [100.0, 296.3, 375.0, 1400.0])
def test_highest_crest_that_the_licence_allows(carrier_w: float) -> None:
    """Put into the definition of PEP it meets 1500 W; 375 W allow 100 %, 240 W allow 150 %."""
    peak = carrier.largest_positive_peak(1500.0, carrier_w)
    assert carrier_w * (1 + peak) ** 2 == pytest.approx(1500.0)
    assert carrier.largest_positive_peak(1500.0, 375.0) == pytest.approx(1.0)
    assert carrier.largest_positive_peak(1500.0, 240.0) == pytest.approx(1.5)
    assert carrier.largest_positive_peak(1500.0, 2000.0) < 0.0


def test_sideband_power() -> None:
    """Mean square of m: 150 W beside 300 W for a full tone, 75 W for two tones of 0.5 each."""
    assert carrier.sideband_power_w(300.0, math.sqrt(0.5)) == pytest.approx(150.0)
    two = 0.5 * np.sin(3 * PHASE) + 0.5 * np.sin(7 * PHASE)
    assert carrier.sideband_power_w(300.0, float(np.std(two))) == pytest.approx(75.0)
    assert carrier.antenna_current_ratio(float(np.std(two))) == pytest.approx(1.1180, abs=5e-5)


@pytest.mark.parametrize("seed", range(5))
def test_no_wave_is_denser_than_a_two_valued_one(seed: int) -> None:
    """R. Bhatia and C. Davis (2000): the variance between two bounds is at most their product."""
    down, up = 0.95, 1.25
    two_valued = np.where(np.arange(2200) < 950, up, -down)
    assert np.mean(two_valued) == pytest.approx(0.0, abs=1e-12)
    most = carrier.highest_density(down, up)
    assert np.std(two_valued) == pytest.approx(most)
    rng = np.random.default_rng(seed)
    wave = rng.uniform(-1, 1, 1000) ** rng.integers(1, 4)
    wave -= wave.mean()
    wave *= min(down / -wave.min(), up / wave.max())
    assert np.std(wave) <= most


@pytest.mark.parametrize(
    ("load_ohm", "inductance_h", "corner_hz"),
    [(8000.0, 25.0, 50.9), (8000.0, 50.0, 25.5), (10_000.0, 60.0, 26.5)],
)
def test_corner_of_a_winding(load_ohm: float, inductance_h: float, corner_hz: float) -> None:
    """R / (2 pi L); there a current source sees half the power go into the load."""
    found_hz = modulation_transformer.corner_of_inductance_hz(load_ohm, inductance_h)
    assert found_hz == pytest.approx(corner_hz, abs=0.05)
    reactance = 2j * math.pi * found_hz * inductance_h
    assert abs(reactance / (reactance + load_ohm)) ** 2 == pytest.approx(0.5)
    back = modulation_transformer.inductance_for_corner_h(load_ohm, found_hz)
    assert back == pytest.approx(inductance_h)


@pytest.mark.parametrize(("ratio", "corner_hz"), [(3.0, 33.3), (4.0, 25.0)])
def test_advised_reactances(ratio: float, corner_hz: float) -> None:
    """R. Lee: 3 to 4 times Eb / Ib at 100 Hz, so that each element's corner is at 33 to 25 Hz."""
    load_ohm = 8000.0
    inductance_h = modulation_transformer.advised_inductance_h(load_ohm, 100.0, ratio)
    assert 2 * math.pi * 100.0 * inductance_h == pytest.approx(ratio * load_ohm)
    found_hz = modulation_transformer.corner_of_inductance_hz(load_ohm, inductance_h)
    assert found_hz == pytest.approx(corner_hz, abs=0.05)
    found = modulation_transformer.reactance_ratio(load_ohm, inductance_h, 100.0)
    assert found == pytest.approx(ratio)
    capacitor_f = modulation_transformer.advised_capacitor_f(load_ohm, 100.0, ratio)
    series = load_ohm + 1 / (2j * math.pi * corner_hz * capacitor_f)
    assert abs(load_ohm / series) ** 2 == pytest.approx(0.5, abs=2e-3)  # -3 dB at its corner
    assert modulation_transformer.ADVISED_REACTANCES == (3.0, 4.0)


def pi_drive(load_ohm: float, coil_h: float, capacitor_f: float, frequency_hz: float) -> float:
    """Return the input over the output voltage of coil, capacitor, coil and load."""
    s = 2j * math.pi * frequency_hz
    shunt = 1 / (1 / (s * coil_h) + 1 / load_ohm)
    return float(abs((1 / (s * capacitor_f) + shunt) / shunt))


def test_pi_filter() -> None:
    """Each reactance 1.41 times the load at the lowest frequency (R. Lee), which is 1.41 cut-offs.

    The drive is that of the ladder solved by Kirchhoff's laws; the ladder's input there is purely
    resistive, twice the load, which is why the modulator swings sqrt(2) times as far.
    """
    load_ohm, lowest_hz = 8000.0, 100.0
    coil_h = modulation_transformer.pi_inductance_h(load_ohm, lowest_hz)
    capacitor_f = modulation_transformer.pi_capacitor_f(load_ohm, lowest_hz)
    s = 2j * math.pi * lowest_hz
    assert abs(s * coil_h) / load_ohm == pytest.approx(math.sqrt(2))
    assert abs(1 / (s * capacitor_f)) / load_ohm == pytest.approx(math.sqrt(2))
    for frequency_hz in (60.0, 100.0, 150.0, 400.0, 3000.0):
        found = modulation_transformer.pi_filter_drive(lowest_hz, frequency_hz)
        solved = pi_drive(load_ohm, coil_h, capacitor_f, frequency_hz)
        assert found == pytest.approx(solved), frequency_hz
    behind = 1 / (s * capacitor_f) + 1 / (1 / (s * coil_h) + 1 / load_ohm)
    assert 1 / (1 / (s * coil_h) + 1 / behind) == pytest.approx(2 * load_ohm)
    cutoff_hz = 1 / (4 * math.pi * math.sqrt(capacitor_f * coil_h / 2))  # shunt arms are 2 L
    assert lowest_hz / cutoff_hz == pytest.approx(math.sqrt(2))


def test_ratios() -> None:
    """An ideal transformer: voltage by the turns, impedance by their square, power unchanged."""
    turns = modulation_transformer.turns_ratio(10_000.0, 4000.0)
    assert turns == pytest.approx(math.sqrt(2.5))
    assert modulation_transformer.impedance_ratio(10_000.0, 4000.0) == 2.5
    secondary_v = 1250.0
    swing_v = modulation_transformer.modulator_swing_v(secondary_v, turns)
    assert (2 * swing_v) ** 2 / 10_000.0 == pytest.approx(secondary_v**2 / 4000.0)


def test_flat_band() -> None:
    """Common practice, after a transformer maker's catalogue: 300 to 3000 Hz, flat 150 to 6000."""
    assert modulation_transformer.flat_band_hz(300.0, 3000.0) == (150.0, 6000.0)
