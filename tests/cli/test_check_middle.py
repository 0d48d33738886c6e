"""A line right in the middle of IQ, the receiver's own, and a carrier elsewhere."""

from pathlib import Path

import numpy as np
import pytest

from tests.checked import checked, write_recording
from tests.reference.radio import Radio

RATE_HZ = 96_000
T = np.arange(4 * RATE_HZ) / RATE_HZ
# A tone that glides and swells, between two seconds of bare carrier.
M = 0.9 * (np.abs(T - 2.0) < 1.0) * np.sin(np.pi * (T - 1.0)) * np.sin(400.0 * np.pi * T * T)


def recorded(folder: Path, offset_hz: float, dc: complex, m: np.ndarray = M) -> Path:
    radio = Radio(rate_hz=RATE_HZ, offset_hz=offset_hz, carrier_to_noise_db=55.0, dc=dc)
    return write_recording(folder / "r.wav", radio.iq(1.0 + m, RATE_HZ), RATE_HZ)


@pytest.mark.parametrize(
    ("offset_hz", "dc"),
    [(3000.0, 0.01), (12_000.0, 0.04j), (-25_000.0, 0.03 + 0.02j), (25_000.0, 0.5)],
)
def test_the_carrier_is_measured_without_it(offset_hz: float, dc: complex, tmp_path: Path) -> None:
    """5 % of the carrier and a third of it; then the carrier is but 40 % of that line."""
    found = checked(recorded(tmp_path, offset_hz, dc))
    assert found["carrier"]["frequency_hz"] == pytest.approx(offset_hz, abs=0.1)
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(90.0, abs=0.5)
    assert found["modulation"]["negative_peak_pct"] == pytest.approx(90.0, abs=0.5)
    assert found["recording"]["carrier_to_noise_db"] == pytest.approx(55.0, abs=1.0)
    assert found["recording"]["constant_pct"] == pytest.approx(abs(dc) / 0.002, rel=0.01)
    assert any("(its DC)" in note for note in found["notes"])


def test_a_carrier_in_the_middle_is_measured(tmp_path: Path) -> None:
    found = checked(recorded(tmp_path, 0.0, 0.0))
    assert found["modulation"]["positive_peak_pct"] == pytest.approx(90.0, abs=0.5)
    assert found["recording"]["constant_pct"] == 0.0
    assert not any("(its DC)" in note for note in found["notes"])


def test_a_bare_line_in_the_middle_is_called_so(tmp_path: Path) -> None:
    found = checked(recorded(tmp_path, 0.0, 0.0, 0.0 * M))
    assert found["recording"]["modulated_s"] == 0.0
    assert any("it may be no carrier at all" in note for note in found["notes"])
    file = recorded(tmp_path, 25_000.0, 0.04)
    found = checked(file, "--carrier", "0")
    assert found["carrier"]["frequency_hz"] == pytest.approx(0.0, abs=0.1)
