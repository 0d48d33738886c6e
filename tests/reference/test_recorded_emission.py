"""What a recording says of splatter, bandwidth and distortion, against Fourier series.

One tone past 100 % under e = max(0, 1 + m cos): its envelope is synthesised from its series, put on
a carrier and into a receiver with the faults of real ones.  Nothing here is known to the meters.
"""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from carrierfloor import presets
from carrierfloor.dsp.bandwidth import occupied, sidebands_occupied
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.mask_verdict import judge
from carrierfloor.dsp.rf_spectrum import RfSpectrum
from carrierfloor.dsp.spectrum_meter import FINE_RESOLUTION_HZ, SpectrumMeter
from carrierfloor.dsp.tone_reading import read_tones
from tests.reference.radio import Radio

Array = NDArray[np.float64]
RATE_HZ = 192_000.0
TONE_HZ = 1500.0  # 128 samples a period


def series(index: float, n: int) -> float:
    """Return the n-th Fourier coefficient of max(0, 1 + m cos x), by numerical integration."""
    off = math.acos(-1 / index)
    value, _ = quad(lambda x: (1 + index * math.cos(x)) * math.cos(n * x), 0.0, off, limit=200)
    return (1 if n == 0 else 2) / math.pi * float(value)


def envelope(index: float, seconds: float) -> Array:
    wave = 2 * np.pi * np.arange(128) / 128
    period = sum(series(index, n) * np.cos(n * wave) for n in range(60))
    return np.tile(period, round(seconds * TONE_HZ))


def recorded(radio: Radio, of: Array, resolution_hz: float = 300.0) -> RfSpectrum:
    """Measure as a command would: frames of 20 ms, each with its carrier's frequency."""
    samples = radio.iq(of, RATE_HZ)
    meter = SpectrumMeter(RATE_HZ, resolution_hz=resolution_hz)
    frame = round(0.02 * RATE_HZ)
    for start in range(0, len(samples), frame):
        middle_s = (start + frame / 2) / RATE_HZ
        meter.feed(
            samples[start : start + frame], radio.offset_hz + radio.drift_hz_per_s * middle_s
        )
    return meter.read(radio.amplitude)


@pytest.mark.parametrize(
    ("index", "lines"),
    [
        (1.05, [-50.0, -50.4, -51.0, -51.8]),
        (1.25, [-30.9, -32.8, -35.8, -40.3]),
        (2.0, [-17.2, -23.2, -37.2, -37.2]),
    ],
)
def test_splatter_lines_of_a_drifting_noisy_recording(index: float, lines: list[float]) -> None:
    """Lines at 2f to 5f: half the Fourier coefficients; 3 kHz off, 20 Hz/s, noise, IQ imbalance."""
    radio = Radio(
        rate_hz=RATE_HZ, offset_hz=3000.0, drift_hz_per_s=20.0, carrier_to_noise_db=60.0, image=0.02
    )
    found = recorded(radio, envelope(index, 2.0)).without([(-7500.0, -4500.0)])
    for n, published in enumerate(lines, start=2):
        exact = 20 * math.log10(abs(series(index, n)) / 2)
        assert exact == pytest.approx(published, abs=0.06)
        for side in (-1.0, 1.0):
            near = np.abs(found.offset_hz - side * n * TONE_HZ) < 4.5 * found.bin_hz
            if not found.usable[near].all():  # the mirror image of the carrier lies there
                continue
            power = float(found.mean_power[near].sum())
            assert 10 * math.log10(power) == pytest.approx(exact, abs=0.5)


def test_mask_margin_of_a_tone_that_cuts_off() -> None:
    """m = 1.25, 1.5 kHz: of the lines beyond 10.2 kHz the strongest is known, limit 25 dB."""
    radio = Radio(rate_hz=RATE_HZ, offset_hz=0.0, carrier_to_noise_db=100.0)
    verdict = judge(recorded(radio, envelope(1.25, 2.0)), presets.mask("am-broadcast"), 100.0)
    lines = {n: 20 * math.log10(abs(series(1.25, n)) / 2) for n in range(7, 60)}
    limits = {
        n: -float(presets.mask("am-broadcast").limit_db(np.array([n * TONE_HZ]))[0]) for n in lines
    }
    n, margin_db = min(((n, limits[n] - lines[n]) for n in lines), key=lambda pair: pair[1])
    for worst in (verdict.lower, verdict.upper):
        assert worst is not None
        assert worst.margin_db == pytest.approx(margin_db, abs=0.5)
        assert abs(worst.offset_hz) == pytest.approx(n * TONE_HZ, abs=30.0)
        assert worst.shared_part > 0.8


def test_occupied_bandwidth_of_a_tone_that_cuts_off() -> None:
    """47 CFR 2.202(a) from the series: the line at which less than 0.5 % lies beyond on a side."""
    power = np.array([series(1.5, n) ** 2 / (1 if n == 0 else 4) for n in range(200)])
    total = power[0] + 2 * power[1:].sum()
    beyond = np.array([power[n:].sum() for n in range(1, 60)])
    order = int(np.flatnonzero(beyond >= 0.005 * total)[-1]) + 1
    found = occupied(recorded(Radio(rate_hz=RATE_HZ), envelope(1.5, 2.0), FINE_RESOLUTION_HZ))
    assert found is not None
    assert found.width_hz == pytest.approx(2 * order * TONE_HZ, abs=60.0)
    beyond_alone = beyond / (2 * power[1:].sum())
    order_alone = int(np.flatnonzero(beyond_alone >= 0.005)[-1]) + 1
    assert (order, order_alone) == (1, 2)
    alone = sidebands_occupied(
        recorded(Radio(rate_hz=RATE_HZ), envelope(1.5, 2.0), FINE_RESOLUTION_HZ)
    )
    assert alone is not None
    assert alone.width_hz == pytest.approx(2 * order_alone * TONE_HZ, abs=60.0)


def demodulated(radio: Radio, of: Array) -> Array:
    """Return m at 48 kHz from an 8-bit recording, its ends left out."""
    samples = radio.iq(of, RATE_HZ)
    eight = (np.round(samples.real * 127) + 1j * np.round(samples.imag * 127)) / 127
    demodulator = Demodulator(RATE_HZ, is_complex=True)
    parts = [
        demodulator.process(eight[start : start + 3840]) for start in range(0, len(eight), 3840)
    ]
    whole = np.concatenate([*(part.in_phase for part in parts), demodulator.finish().in_phase])
    return np.asarray(whole[24_000:-24_000] / radio.amplitude - 1.0)


def test_distortion_of_a_tone_that_cuts_off() -> None:
    """THD from the series to the 5th harmonic, 7.5 kHz; 8 bits, 40 dB over noise, drift."""
    radio = Radio(rate_hz=RATE_HZ, offset_hz=3000.0, drift_hz_per_s=20.0, carrier_to_noise_db=40.0)
    found = read_tones(demodulated(radio, envelope(1.25, 3.0)), 48_000.0, 8000.0)
    assert isinstance(found, OneTone)
    assert found.frequency_hz == pytest.approx(TONE_HZ, abs=0.002)
    squares = sum(series(1.25, n) ** 2 for n in range(2, 6))
    assert found.thd == pytest.approx(math.sqrt(squares) / series(1.25, 1), abs=5e-4)
    assert found.amplitude == pytest.approx(series(1.25, 1), abs=1e-3)
    for harmonic in found.harmonics[:3]:
        assert harmonic.amplitude == pytest.approx(abs(series(1.25, harmonic.order)), abs=1e-3)
        turned = harmonic.phase_deg + (180.0 if series(1.25, harmonic.order) < 0.0 else 0.0)
        assert math.remainder(turned, 360.0) == pytest.approx(0.0, abs=3.0)


def test_two_tone_distortion_of_a_bent_modulator() -> None:
    """IEC 60268-3, 14.12.8: x + 0.1 x^2 + 0.1 x^3 of 0.5 + 0.5 gives d2 2.3669 %, d3 1.7751 %."""
    t = np.arange(round(3.0 * RATE_HZ)) / RATE_HZ
    x = 0.5 * np.cos(2 * np.pi * 700.0 * t) + 0.5 * np.cos(2 * np.pi * 1900.0 * t + 1.0)
    radio = Radio(rate_hz=RATE_HZ, offset_hz=3000.0, carrier_to_noise_db=50.0)
    bent = x + 0.1 * x**2 + 0.1 * x**3
    assert bent.min() > -1.0
    found = read_tones(demodulated(radio, 1.0 + bent), 48_000.0, 8000.0)
    assert isinstance(found, TwoTones)
    assert found.difference_second == pytest.approx(0.023669, abs=3e-4)
    assert found.difference_third == pytest.approx(0.017751, abs=3e-4)
    assert found.amplitude_of(2, -1) == pytest.approx(0.009375, abs=2e-4)
