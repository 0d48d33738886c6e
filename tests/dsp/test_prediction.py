"""The meters together, against the independent judge and closed forms."""

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.interpolation import FINE_RATE_HZ
from carrierfloor.dsp.prediction import AntennaMeter
from carrierfloor.dsp.rig import Level, Rig, rig_from_table
from tests.reference import antenna as judge

Array = NDArray[np.float64]

RATE_HZ = 48_000
SECTIONS = [
    {"kind": "highpass", "corner_hz": 40.0, "q": 1.5},
    {"kind": "lowpass", "corner_hz": 5000.0, "q": 2.0},
]
MILD = [{"kind": "highpass", "corner_hz": 15.0, "q": 0.7}]


def clipped_noise(seconds: float = 3.0) -> Array:
    """Noise up to 3 kHz, clipped, then band-limited to 6 kHz; faded at both ends."""
    count = round(seconds * RATE_HZ)
    frequency_hz = np.fft.rfftfreq(count, 1 / RATE_HZ)
    bins = np.fft.rfft(np.random.default_rng(3).standard_normal(count))
    noise = np.fft.irfft(np.where(frequency_hz < 3000.0, bins, 0.0), count)
    clipped = np.clip(noise / np.std(noise), -1.0, 1.0)
    soft = np.fft.irfft(np.where(frequency_hz < 6000.0, np.fft.rfft(clipped), 0.0), count)
    return np.asarray(0.4 * soft * np.hanning(count) ** 0.2)


def rig(polarity: str = "normal") -> Rig:
    return rig_from_table(
        {
            "name": "two paths",
            "level": {"full_modulation_dbfs": -8.0, "polarity": polarity},
            "paths": [{"name": "mild", "sections": MILD}, {"name": "bad", "sections": SECTIONS}],
        },
        "test",
    )


@pytest.mark.parametrize("polarity", ["normal", "inverted"])
def test_agrees_with_the_independent_judge(polarity: str) -> None:
    """Frequency-domain path and 32-fold zero padding of the whole, written apart from dsp."""
    samples = clipped_noise()
    meter = AntennaMeter(rig(polarity))
    for start in range(0, len(samples), 10_000):
        meter.feed(samples[start : start + 10_000])
    worst = meter.finish()
    full = (-1.0 if polarity == "inverted" else 1.0) * 10 ** (-8 / 20)
    for reading, rows in zip(meter.paths, (MILD, SECTIONS), strict=True):
        verdict = judge.judge(samples, RATE_HZ, full, rows)
        assert reading.modulation.negative_peak == pytest.approx(verdict.trough, rel=2e-4)
        assert reading.modulation.positive_peak == pytest.approx(verdict.crest, rel=2e-4)
        assert reading.modulation.cutoffs == pytest.approx(verdict.cutoffs, abs=2)
        fine = judge.modulation(samples, RATE_HZ, full, rows, oversampling=4)
        seconds = len(fine) / FINE_RATE_HZ
        expected = judge.emission_dbc(fine, FINE_RATE_HZ, 7500.0, seconds)
        total_s = reading.modulation.duration_s
        found = reading.emission.beyond_dbc(7500.0) + 10 * np.log10(total_s / seconds)
        assert found == pytest.approx(expected, abs=0.5)
    assert worst.path == "bad"
    assert worst.modulation.negative_peak == max(r.modulation.negative_peak for r in meter.paths)


def test_times_are_those_of_the_recording() -> None:
    """A pulse one second in cuts the carrier off one second in."""
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    meter = AntennaMeter(Rig(name="flat", level=Level(full_modulation_dbfs=0.0)))
    meter.feed(-1.1 * np.exp(-(((t - 1.0) / 1e-3) ** 2)))
    reading = meter.finish()
    assert reading.modulation.negative_peak_s == pytest.approx(1.0, abs=1e-5)
    assert reading.worst_moment.time_s[len(reading.worst_moment.time_s) // 2] == pytest.approx(
        1.0, abs=1e-5
    )
    deepest = reading.overview.time_s[np.argmin(reading.overview.lowest)]
    assert deepest == pytest.approx(1.0, abs=1e-3)


def test_the_silence_after_the_end_is_no_pause() -> None:
    """Two seconds of steady noise are active all the time, half a second of tail or not."""
    meter = AntennaMeter(Rig(name="flat"))
    meter.feed(0.1 * np.random.default_rng(1).standard_normal(2 * RATE_HZ))
    reading = meter.finish()
    assert reading.speech.activity == pytest.approx(1.0, abs=0.02)
    assert reading.modulation.duration_s == pytest.approx(2.5, abs=0.001)


def test_density_is_the_rms_of_m() -> None:
    """A tone of 80 % has an rms of 56.6 %."""
    meter = AntennaMeter(Rig(name="flat", level=Level(full_modulation_dbfs=-6.0)))
    t = np.arange(5 * RATE_HZ) / RATE_HZ
    meter.feed(0.8 * 10 ** (-6 / 20) * np.sin(2 * np.pi * 1000 * t))
    assert meter.finish().speech.active_rms == pytest.approx(0.8 / np.sqrt(2), rel=0.005)


def test_nothing_fed_is_silence() -> None:
    reading = AntennaMeter(rig()).finish()
    assert reading.modulation.negative_peak == 0.0
    assert reading.speech.activity == 0.0
