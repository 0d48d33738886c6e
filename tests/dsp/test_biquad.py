import math

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.biquad import (
    all_pass,
    biquad_kernel,
    cascade,
    cascade_state,
    digital,
    digital_response,
)
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.stage import CompiledStage
from tests.dsp import contract

SECTIONS = [
    Section(kind="highpass", corner_hz=40.0),
    Section(kind="highpass", corner_hz=90.0, q=0.7),
    Section(kind="lowpass", corner_hz=3000.0),
    Section(kind="lowpass", corner_hz=7000.0, q=2.0),
    Section(kind="peak", centre_hz=900.0, gain_db=-12.0, q=3.0),
    Section(kind="lowshelf", corner_hz=200.0, gain_db=6.0),
    Section(kind="highshelf", corner_hz=2500.0, gain_db=-9.0, q=0.5),
]


def filter_of(rows: list[np.ndarray]) -> CompiledStage:
    return CompiledStage("test", biquad_kernel, cascade(rows), cascade_state(len(rows)))


def with_a0(row: np.ndarray) -> np.ndarray:
    return np.concatenate([row[:3], [1.0], row[3:]])


@pytest.mark.parametrize("section", SECTIONS, ids=lambda s: f"{s.kind}-{s.q}")
def test_digital_form_equals_scipys_bilinear_transform(section: Section) -> None:
    """scipy.signal.bilinear on the analogue prototype, its rate warped to keep the corner."""
    w = 2.0 * np.pi * section.frequency_hz
    warped_rate = w / math.tan(w / (2.0 * contract.RATE_HZ)) / 2.0
    top, bottom = (np.trim_zeros(p, "f") for p in section.analogue())
    b, a = signal.bilinear(top, bottom, fs=warped_rate)
    f = np.geomspace(5.0, 23_000.0, 200)
    ours = signal.freqz(*np.split(with_a0(digital(section)), 2), worN=f, fs=contract.RATE_HZ)[1]
    scipys = signal.freqz(b, a, worN=f, fs=contract.RATE_HZ)[1]
    np.testing.assert_allclose(ours, scipys, rtol=1e-9)


@pytest.mark.parametrize("section", SECTIONS, ids=lambda s: f"{s.kind}-{s.q}")
def test_corner_has_the_analogue_response(section: Section) -> None:
    """The warped bilinear transform is exact at the corner (cookbook, W3C 2021)."""
    f = np.array([section.frequency_hz])
    ours = signal.freqz(*np.split(with_a0(digital(section)), 2), worN=f, fs=contract.RATE_HZ)[1]
    np.testing.assert_allclose(ours, analogue_response([section], f), rtol=1e-9)


def test_response_of_a_cascade_equals_scipys() -> None:
    """scipy.signal.sosfreqz, on the same sections."""
    rows = np.array([digital(section) for section in SECTIONS])
    f = np.geomspace(5.0, 23_000.0, 200)
    scipys = signal.sosfreqz([with_a0(row) for row in rows], worN=f, fs=contract.RATE_HZ)[1]
    np.testing.assert_allclose(digital_response(rows, f), scipys, rtol=1e-9)


@pytest.mark.parametrize("count", [0, 1, 2, 3, 4, 5, 7, 12])
def test_cascade_equals_scipys_sosfilt(count: int) -> None:
    """scipy.signal.sosfilt, another implementation of the same recursion."""
    rows = [digital(SECTIONS[i % len(SECTIONS)]) for i in range(count)]
    audio = contract.noise()
    expected = signal.sosfilt([with_a0(row) for row in rows], audio) if rows else audio
    np.testing.assert_allclose(filter_of(rows).process(audio), expected, rtol=0, atol=1e-12)


def test_all_pass_turns_the_phase_only() -> None:
    """Magnitude 1 everywhere, half a turn at the corner, from the definition of an all-pass."""
    f = np.array([20.0, 200.0, 2000.0, 20_000.0])
    row = with_a0(all_pass(200.0, 0.6))
    response = signal.freqz(row[:3], row[3:], worN=f, fs=contract.RATE_HZ)[1]
    np.testing.assert_allclose(np.abs(response), 1.0, rtol=1e-9)
    assert response[1] == pytest.approx(-1.0, abs=1e-9)


def test_stage_contract() -> None:
    def make() -> CompiledStage:
        return filter_of([digital(section) for section in SECTIONS])

    audio = contract.noise(0.3)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)


def test_corner_near_half_the_rate_is_refused() -> None:
    with pytest.raises(SettingError, match="highpass at 25000 Hz"):
        digital(Section(kind="highpass", corner_hz=25_000.0))
