"""The figures of an amplitude-modulated carrier against closed forms.

Sources: one tone past 100 % under e = max(0, 1 + m cos) as a Fourier series; sideband powers from
the product of carrier and envelope; US Navy NEETS modules 12 and 21; 47 CFR 97.3(b), 2.202(a).
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from carrierfloor.dsp import carrier
from carrierfloor.dsp.prediction import AntennaMeter, AntennaReading
from carrierfloor.dsp.rig import Level, Rig

Array = NDArray[np.float64]

RATE_HZ = 48_000
FLAT = Rig(name="flat", level=Level(full_modulation_dbfs=0.0))


def tone(index: float, frequency_hz: float, seconds: float = 4.0) -> Array:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return index * np.cos(2 * np.pi * frequency_hz * t)


def at_antenna(modulation: Array) -> AntennaReading:
    """Feed m(t), its ends faded over half a second so that they do not splatter."""
    fade = np.sin(np.linspace(0, np.pi / 2, RATE_HZ // 2)) ** 2
    shaped = modulation.copy()
    shaped[: len(fade)] *= fade
    shaped[-len(fade) :] *= fade[::-1]
    meter = AntennaMeter(FLAT)
    meter.feed(shaped)
    return meter.finish()


def inner(modulation: Array) -> AntennaReading:
    """Feed m(t) as it is and read before its end: steady state, whole periods."""
    meter = AntennaMeter(FLAT)
    meter.feed(modulation)
    return meter.paths[0]


def line_dbc(reading: AntennaReading, frequency_hz: float) -> float:
    """Return the power of one sideband line, from the bins around it."""
    emission = reading.emission
    near = np.abs(emission.offset_hz - frequency_hz) < 40.0
    return 10 * math.log10(float(emission.power[near].sum()))


def series(index: float, n: int) -> float:
    """Return the n-th Fourier coefficient of max(0, 1 + m cos x), by numerical integration."""
    off = math.acos(-1 / index)
    value, _ = quad(lambda x: (1 + index * math.cos(x)) * math.cos(n * x), 0.0, off)
    return (1 if n == 0 else 2) / math.pi * float(value)


@pytest.mark.parametrize(
    ("index", "off_pct"), [(1.05, 9.86), (1.1, 13.68), (1.25, 20.48), (1.5, 26.77), (2.0, 33.33)]
)
def test_off_time_of_one_tone(index: float, off_pct: float) -> None:
    """Cut off for arccos(1/m)/pi of each cycle, once a cycle."""
    assert 100 * math.acos(1 / index) / math.pi == pytest.approx(off_pct, abs=0.005)
    reading = inner(tone(index, 200.0)).modulation
    per_cycle = reading.cutoff_total_s / reading.cutoffs * 200.0
    assert 100 * per_cycle == pytest.approx(off_pct, abs=0.02)
    assert reading.cutoff_longest_s * 200.0 == pytest.approx(off_pct / 100, abs=2e-4)
    gaps_s = np.diff(reading.cutoff_times_s)
    np.testing.assert_allclose(gaps_s, 1 / 200.0, atol=1e-6)


@pytest.mark.parametrize(
    ("index", "shift_db"), [(1.05, 0.028), (1.1, 0.079), (1.25, 0.290), (1.5, 0.734), (2.0, 1.713)]
)
def test_carrier_shift_of_one_tone(index: float, shift_db: float) -> None:
    """Mean envelope c0 = (a + m sin a)/pi, a = arccos(-1/m), over the carrier."""
    assert 20 * math.log10(series(index, 0)) == pytest.approx(shift_db, abs=0.0006)
    reading = inner(tone(index, 200.0)).modulation
    assert 20 * math.log10(reading.carrier_ratio) == pytest.approx(shift_db, abs=0.002)


@pytest.mark.parametrize(
    ("index", "lines"),
    [
        (1.05, [-50.0, -50.4, -51.0, -51.8]),
        (1.1, [-41.5, -42.3, -43.5, -45.1]),
        (1.25, [-30.9, -32.8, -35.8, -40.3]),
        (1.5, [-23.6, -27.1, -33.2, -46.2]),
        (2.0, [-17.2, -23.2, -37.2, -37.2]),
    ],
)
def test_splatter_lines_of_one_tone(index: float, lines: list[float]) -> None:
    """Lines at 2f to 5f: half the Fourier coefficients of max(0, 1 + m cos)."""
    reading = at_antenna(tone(index, 1000.0, seconds=20.0))
    for n, published in enumerate(lines, start=2):
        exact = 20 * math.log10(abs(series(index, n)) / 2)
        assert exact == pytest.approx(published, abs=0.06)
        assert line_dbc(reading, 1000.0 * n) == pytest.approx(exact, abs=0.5)


def test_splatter_lines_in_steady_state() -> None:
    """The same to a tenth of a decibel, without fades, up to the 15th line."""
    reading = inner(tone(1.25, 1000.0, seconds=30.0))
    for n in range(2, 16):
        exact = 20 * math.log10(abs(series(1.25, n)) / 2)
        if exact > -65.0:  # the step of the beginning hides the weaker ones
            assert line_dbc(reading, 1000.0 * n) == pytest.approx(exact, abs=0.1), n


@pytest.mark.parametrize(
    ("index", "each_dbc"), [(1.0, -6.021), (0.85, -7.432), (0.5, -12.041), (0.3, -16.478)]
)
def test_sideband_lines_of_one_tone(index: float, each_dbc: float) -> None:
    """Each of the two lines is m/2 of the carrier."""
    assert carrier.tone_line_dbc(index) == pytest.approx(each_dbc, abs=0.001)
    assert line_dbc(inner(0.999 * tone(index, 1000.0)), 1000.0) == pytest.approx(each_dbc, abs=0.1)


@pytest.mark.parametrize(
    ("index", "power"), [(1.0, 1.5), (0.85, 1.36125), (0.5, 1.125), (0.3, 1.045)]
)
def test_power_of_one_tone(index: float, power: float) -> None:
    """Pc (1 + m^2/2)."""
    assert carrier.total_power_ratio(index / math.sqrt(2)) == pytest.approx(power, abs=1e-9)
    assert inner(tone(index, 1000.0)).modulation.power_ratio == pytest.approx(power, abs=2e-3)


def test_power_of_other_waveforms() -> None:
    """Pc (1 + mean square): two tones of 0.5 each 1.25, a triangle 4/3, a square wave 2."""
    two = tone(0.5, 1000.0) + tone(0.5, 1700.0)
    assert inner(two).modulation.power_ratio == pytest.approx(1.25, abs=2e-3)
    cycle = np.arange(4 * RATE_HZ) % 480 / 480
    triangle = 1 - 4 * np.abs(cycle - 0.5)
    assert inner(triangle).modulation.power_ratio == pytest.approx(4 / 3, abs=2e-3)
    assert carrier.total_power_ratio(1.0) == 2.0


def test_power_past_cutoff() -> None:
    """Mean square of max(0, 1 + m cos), by Parseval from its Fourier series."""
    exact = series(1.5, 0) ** 2 + sum(series(1.5, n) ** 2 / 2 for n in range(1, 200))
    assert inner(tone(1.5, 200.0)).modulation.power_ratio == pytest.approx(exact, rel=1e-3)


def test_antenna_current() -> None:
    """NEETS module 21: sqrt(1 + m^2/2), 1.2247 at 100 %; and back, 8 A to 8.93 A is m = 0.7014."""
    for index, ratio in [(1.0, 1.2247), (0.85, 1.1667), (0.5, 1.0607)]:
        found = carrier.antenna_current_ratio(index / math.sqrt(2))
        assert found == pytest.approx(ratio, abs=5e-5)
        assert carrier.tone_index_from_current(found) == pytest.approx(index, abs=1e-12)
    assert carrier.tone_index_from_current(8.93 / 8) == pytest.approx(0.7014, abs=5e-5)
    assert carrier.tone_index_from_current(8.96 / 8) == pytest.approx(0.7133, abs=5e-5)


def test_peaks_against_the_carrier() -> None:
    """NEETS module 21: crest 2.25 is +125 %, trough 0.05 is 95 %; both at once need both."""
    assert carrier.positive_peak(2.25, 1.0) == pytest.approx(1.25)
    assert carrier.negative_peak(0.05, 1.0) == pytest.approx(0.95)
    assert carrier.negative_peak(0.0, 1.0) == 1.0


@pytest.mark.parametrize(("peak", "ratio", "largest_w"), [
    (1.0, 4.0, 375.0), (1.25, 5.0625, 296.30), (1.5, 6.25, 240.0),
])  # fmt: skip
def test_peak_envelope_power(peak: float, ratio: float, largest_w: float) -> None:
    """47 CFR 97.3(b): mean power of one cycle at the crest; 1500 W is the limit of 97.313(b)."""
    assert carrier.pep_ratio(peak) == ratio
    assert carrier.pep_w(300.0, peak) == pytest.approx(300.0 * ratio)
    assert carrier.largest_carrier_w(1500.0, peak) == pytest.approx(largest_w, abs=0.005)


def test_300_w_carrier_at_125_pct() -> None:
    """(1 + 1.25)^2 x 300 W = 1518.75 W."""
    assert carrier.pep_w(300.0, 1.25) == 1518.75


def test_residual_carrier() -> None:
    """20 lg(1 - m): 95 % leaves -26.02 dB, 99 % leaves -40 dB, 100 % nothing."""
    assert carrier.residual_carrier_db(0.95) == pytest.approx(-26.02, abs=0.005)
    assert carrier.residual_carrier_db(0.99) == pytest.approx(-40.0, abs=1e-9)
    assert carrier.residual_carrier_db(1.0) == -math.inf


def test_plate_voltage_at_the_crest() -> None:
    """NEETS module 12: 2000 V swings to 4000 V at 100 %; 4500 V at +125 %."""
    assert carrier.peak_plate_v(2000.0, 1.0) == 4000.0
    assert carrier.peak_plate_v(2000.0, 1.25) == 4500.0


def test_occupied_bandwidth_of_one_tone() -> None:
    """47 CFR 2.202(a): 0.5 % of the power each side; twice the tone until it has less than that.

    One sideband holds m^2/4 of 1 + m^2/2: it drops below 0.5 % at m = 0.14213.
    """
    assert inner(tone(0.16, 3000.0)).emission.occupied_bandwidth_hz == pytest.approx(6000, abs=60)
    assert inner(tone(0.13, 3000.0)).emission.occupied_bandwidth_hz < 60.0


def test_occupied_bandwidth_of_noise() -> None:
    """Flat noise to F: one sideband's edge leaves out 0.01 (1 + r^2) / r^2 of its power.

    That share of F lies beyond the edge; r is the rms of m.
    """
    rng = np.random.default_rng(3)
    spectrum = np.fft.rfft(rng.standard_normal(30 * RATE_HZ))
    spectrum[np.fft.rfftfreq(30 * RATE_HZ, 1 / RATE_HZ) > 4000.0] = 0.0
    noise = np.fft.irfft(spectrum)
    for rms in (0.2, 0.1 * math.sqrt(2)):
        reading = inner(rms * noise / np.std(noise))
        share = 0.01 * (1 + rms**2) / rms**2
        expected_hz = 2 * 4000.0 * (1 - share)
        assert reading.emission.occupied_bandwidth_hz == pytest.approx(expected_hz, rel=0.02)


def test_a_phase_reversing_modulator_makes_no_new_lines_but_a_cut_off_stage_does() -> None:
    """1 + m cos is three lines whatever m; its rectified half has more (Fourier series)."""
    reading = at_antenna(tone(1.25, 1000.0))
    assert reading.emission.beyond_dbc(1500.0) > -35.0
    clean = at_antenna(tone(0.999, 1000.0))
    assert clean.emission.beyond_dbc(4000.0) < -120.0
