import tomllib

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.stage import CompiledStage, Context
from carrierfloor.dsp.tone import ToneDesign
from tests.dsp import contract

BANDS = (
    Section(kind="lowshelf", corner_hz=200.0, gain_db=-3.0),
    Section(kind="peak", centre_hz=2500.0, gain_db=4.0, q=1.2),
    Section(kind="highshelf", corner_hz=1800.0, gain_db=6.0, q=0.5),
)


def build(bands: tuple[Section, ...] = BANDS) -> CompiledStage:
    return ToneDesign(bands=bands).build(Context())


def test_response_is_that_of_the_analogue_sections() -> None:
    """scipy.signal.freqs of the analogue forms; the bilinear transform bends little to 4 kHz."""
    f = np.geomspace(20.0, 4000.0, 300)
    expected = np.ones(len(f), dtype=complex)
    for band in BANDS:
        expected *= signal.freqs(*band.analogue(), worN=2 * np.pi * f)[1]
    h = contract.impulse_response(build())
    ours = signal.freqz(h, worN=f, fs=contract.RATE_HZ)[1]
    assert np.abs(20 * np.log10(np.abs(ours / expected))).max() < 0.15


def test_treble_tilt_is_one_shelf() -> None:
    """A shelf's gain far above its corner is its gain_db, far below 0 dB, half at the corner."""
    shelf = (Section(kind="highshelf", corner_hz=1000.0, gain_db=8.0, q=0.5),)
    f = np.array([20.0, 1000.0, 20_000.0])
    h = contract.impulse_response(build(shelf))
    db = 20 * np.log10(np.abs(signal.freqz(h, worN=f, fs=contract.RATE_HZ)[1]))
    np.testing.assert_allclose(db, [0.0, 4.0, 8.0], atol=0.05)
    assert np.abs(analogue_response(shelf, f[1:2]))[0] == pytest.approx(10 ** (4.0 / 20))


def test_bands_come_from_a_voice_file() -> None:
    text = """
    [[bands]]
    kind = "highshelf"
    corner_hz = 1800
    gain_db = 6.0
    q = 0.5
    """
    design = ToneDesign.from_settings(tomllib.loads(text), "my.toml: stage 2 (tone)")
    assert design.bands == BANDS[2:]


def test_stage_contract() -> None:
    audio = contract.noise(0.3)
    contract.assert_seamless(build, audio)
    contract.assert_reset_is_fresh(build, audio)
    contract.assert_silence_stays_silent(build, audio)
    np.testing.assert_array_equal(build(()).process(audio), audio)
    assert build().latency_samples == 0
    assert np.argmax(np.abs(contract.impulse_response(build()))) == 0


def test_wrong_bands_are_refused_in_one_line() -> None:
    where = "my.toml: stage 2 (tone)"
    rows = [{"kind": "peak", "centre_hz": 900.0, "q": 1.0, "gain_db": 99.0}]
    with pytest.raises(SettingError, match=r"stage 2 \(tone\): bands: section 1: gain_db"):
        ToneDesign.from_settings({"bands": rows}, where)
    with pytest.raises(SettingError, match=r"bands must be a list of tables, .* \[\[stages.bands"):
        ToneDesign.from_settings({"bands": 3}, where)
    with pytest.raises(SettingError, match="13 bands are given; at most 12"):
        ToneDesign(bands=BANDS[:1] * 13)
    with pytest.raises(SettingError, match="reaches"):
        ToneDesign(bands=(Section(kind="lowpass", corner_hz=24_000.0),))
    with pytest.raises(SettingError, match="did you mean bands"):
        ToneDesign.from_settings({"band": []}, where)
