"""The level found in four ways on the same simulated transmitters, against their true one.

Reference: tests/reference/transmitter.py and radio.py, which share no code with carrierfloor; the
true level is found by bisection on the transmitter's own waveform.
"""

from functools import cache

import numpy as np
import pytest

from carrierfloor.dsp.level_fit import LevelFit
from tests.clips import Array
from tests.level_ways import (
    Stairs,
    by_carrier,
    by_cutoff,
    by_scope,
    lines_of,
    lines_of_detector,
    lines_of_radio,
    stairs,
    true_level_dbfs,
)
from tests.reference.radio import Radio, resampled
from tests.reference.transmitter import FINE_HZ, Bend, Sections, Transmitter

FULL = 10 ** (-8.3 / 20)
PATH = Sections(
    (
        {"kind": "highpass", "corner_hz": 80.0, "q": 0.7},
        {"kind": "lowpass", "corner_hz": 5000.0, "q": 1.2},
    )
)
BENT = Bend(second=0.02, third=0.01)
COMPRESSED = Bend(compression_from=0.6, compression=0.4)
TRANSMITTERS = {
    "straight": Transmitter((), FULL),
    "a path, inverted": Transmitter((PATH,), -FULL),
    "bent": Transmitter((PATH, BENT), FULL),
    "bent the other way, compressed, inverted": Transmitter(
        (PATH, Bend(second=-0.02, third=0.01), COMPRESSED), -FULL
    ),
    "hum": Transmitter((PATH,), FULL, hum=((60.0, 0.01, 1.0), (120.0, 0.01, 2.0))),
}
SCOPE_DBFS = [-22.0, -17.0, -14.0, -12.0, -10.5, -9.5, -9.0]
# How far a level may be off, in dB: 0.1 dB is 1.2 % of the modulation.
WITHIN_DB = {"iq": 0.04, "if": 0.04, "detector": 0.1, "scope": 0.3}


@cache
def staircase() -> Stairs:
    return stairs()


@cache
def envelope(name: str) -> Array:
    return TRANSMITTERS[name].envelope(staircase().card)


@cache
def true_dbfs(name: str) -> float:
    return true_level_dbfs(TRANSMITTERS[name])


@cache
def found(name: str, way: str) -> tuple[LevelFit, str | None]:
    """Return level and polarity by one way: 40 dB of noise, an offset, drift, 2 % imbalance."""
    sent = staircase().sent
    if way == "scope":
        return by_scope(TRANSMITTERS[name], SCOPE_DBFS, 0.01), None
    if way == "detector":
        heard = by_cutoff(lines_of_detector(envelope(name), noise_db=40.0), sent)
    else:
        is_iq = way == "iq"
        radio = Radio(
            offset_hz=3000.0 if is_iq else 12_000.0,
            drift_hz_per_s=20.0,
            carrier_to_noise_db=40.0,
            image=0.02 if is_iq else 0.0,
        )
        heard = by_carrier(lines_of_radio(envelope(name), radio, is_iq=is_iq), sent)
    return heard.fit, heard.polarity


@pytest.mark.parametrize("way", WITHIN_DB)
@pytest.mark.parametrize("name", TRANSMITTERS)
def test_every_way_finds_the_true_level(name: str, way: str) -> None:
    fit, polarity = found(name, way)
    off_db = abs(fit.full_modulation_dbfs - true_dbfs(name))
    assert off_db < WITHIN_DB[way]
    assert off_db < fit.error_db + 0.005  # what it says of itself
    if way != "scope":
        assert polarity == ("inverted" if "inverted" in name else "normal")
    if "compressed" in name:
        crest, _ = TRANSMITTERS[name].tone(0.95)
        assert fit.crest_at_limit == pytest.approx(crest, abs=0.06)
        assert fit.crest_at_limit < 0.87


@pytest.mark.parametrize("name", TRANSMITTERS)
def test_the_ways_agree(name: str) -> None:
    levels = {way: found(name, way)[0] for way in WITHIN_DB}
    for one, fit in levels.items():
        for other, against in levels.items():
            apart_db = abs(fit.full_modulation_dbfs - against.full_modulation_dbfs)
            assert apart_db < fit.error_db + against.error_db, (one, other)


@pytest.mark.parametrize("index", [0.3, 0.5, 0.8225])
def test_readings_are_the_envelope(index: float) -> None:
    """NEETS module 21: crest and trough over the carrier; one step of a known modulation."""
    fit, _ = found("straight", "iq")
    amplitudes = np.array([one.amplitude / FULL for one in fit.readings])
    reading = fit.readings[int(np.argmin(np.abs(amplitudes - index)))]
    assert reading.positive == pytest.approx(reading.amplitude / FULL, abs=1e-3)
    assert reading.negative == pytest.approx(reading.amplitude / FULL, abs=1e-3)
    assert reading.symmetric == pytest.approx(reading.amplitude / FULL, abs=1e-3)


def shift_db(index: float) -> float:
    """Return the carrier shift of a tone beyond cut-off: c0 = (x + m sin x) / pi, cos x = -1 / m.

    The mean of max(0, 1 + m cos t), by Fourier series.
    """
    x = np.arccos(-1 / index)
    return float(20 * np.log10((x + index * np.sin(x)) / np.pi))


@pytest.mark.parametrize("level_dbfs", [-6.0, -4.0])
def test_carrier_shift_under_cut_off(level_dbfs: float) -> None:
    """m = 1.303 and 1.641; in print m = 1.25 and 1.5 give +0.290 and +0.734 dB."""
    assert shift_db(1.25) == pytest.approx(0.290, abs=5e-4)
    assert shift_db(1.5) == pytest.approx(0.734, abs=5e-4)
    exact = shift_db(10 ** (level_dbfs / 20) / FULL)
    for way in ("iq", "if"):
        fit, _ = found("straight", way)
        reading = next(one for one in fit.readings if one.level_dbfs == pytest.approx(level_dbfs))
        assert reading.shift is not None
        assert 20 * np.log10(1 + reading.shift) == pytest.approx(exact, abs=0.02)


def test_cut_off_and_the_positive_peaks_of_a_straight_transmitter() -> None:
    for way in ("iq", "if", "detector"):
        fit, _ = found("straight", way)
        assert fit.cutoff_dbfs == pytest.approx(-8.3, abs=WITHIN_DB[way])
        assert fit.positive_dbfs == pytest.approx(-8.3, abs=WITHIN_DB[way])
        assert fit.crest_at_limit == pytest.approx(0.95, abs=0.01)
        assert fit.flat_dbfs is None


def test_a_knee_makes_the_level_too_low_and_can_be_given() -> None:
    """A diode that begins to conduct at 6 % of the carrier flattens the trough at -94 %."""
    track = lines_of_detector(envelope("straight"), noise_db=50.0, knee=0.06)
    plain, corrected = (by_cutoff(track, staircase().sent, knee).fit for knee in (0.0, 0.06))
    assert plain.full_modulation_dbfs == pytest.approx(-8.3 + 20 * np.log10(0.94), abs=0.08)
    assert corrected.full_modulation_dbfs == pytest.approx(-8.3, abs=0.08)


def test_a_mess() -> None:
    """8 bit, 250 kS/s, a neighbour 10 dB up at 15 kHz, imbalance, a DC spike, a clock 100 ppm off.

    The level must still be right to 0.5 %.
    """
    stretched = resampled(envelope("a path, inverted"), 10_000.0, 10_001.0)
    radio = Radio(
        rate_hz=250_000,
        offset_hz=3000.0,
        drift_hz_per_s=20.0,
        carrier_to_noise_db=40.0,
        image=0.02,
        dc=0.02,
        amplitude=0.08,
    )
    recording = radio.iq(stretched, FINE_HZ)
    t = np.arange(len(recording)) / 250_000
    neighbour = 0.08 * 10**0.5 * (1 + 0.8 * np.sin(2 * np.pi * 400 * t))
    recording += neighbour * np.exp(2j * np.pi * 18_000 * t)
    coarse = np.rint(127.5 * (recording.real + 1j * recording.imag)) / 127.5
    heard = by_carrier(lines_of(coarse, 250_000), staircase().sent)
    true = true_dbfs("a path, inverted")
    assert heard.fit.full_modulation_dbfs == pytest.approx(true, abs=0.045)
    assert heard.polarity == "inverted"
    assert heard.place.clock_ratio == pytest.approx(1 + 100e-6, abs=3e-6)
