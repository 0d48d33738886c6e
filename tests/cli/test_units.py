"""Values with units: four digits and a prefix."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from carrierfloor.cli.units import quantity, rounded_down


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.0, "V", "0 V"),
        (2250.0, "V", "2250 V"),
        (9999.4, "V", "9999 V"),
        (9999.7, "V", "10 kV"),
        (12_500.0, "V", "12.5 kV"),
        (0.24, "A", "240 mA"),
        (0.99996, "A", "1 A"),
        (4166.67, "Ω", "4167 Ω"),
        (1e6, "Ω", "1000 kΩ"),
        (2.5e7, "Ω", "25 MΩ"),
        (0.0005, "W", "500 µW"),
        (2.65e-7, "F", "0.265 µF"),
        (0.001, "F", "1000 µF"),
        (-26.0206, "dB", "-26.02 dB"),
        (0.5, "Hz", "0.5 Hz"),
        (8000.0, "Hz", "8000 Hz"),
    ],
)
def test_quantity(value: float, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


def test_fewer_digits() -> None:
    assert quantity(13.12, "W", 2) == "13 W"
    assert quantity(3599.0, "W", 2) == "3600 W"
    assert quantity(20_000.0, "Hz") == "20000 Hz"


@given(st.floats(1e-4, 1e8))
def test_rounded_down_fits_and_is_near(value: float) -> None:
    """Never above the value, within one in the fourth digit, and printed as it is."""
    cut = rounded_down(value)
    assert cut <= value * (1 + 1e-8)
    assert cut == pytest.approx(value, rel=1.01e-3)
    assert float(f"{cut:.4g}") == pytest.approx(cut, rel=1e-9)


def test_a_round_value_stays() -> None:
    """1500 / 6.25 = 240 and 1500 / 4 = 375 exactly."""
    assert rounded_down(1500 / 2.5**2) == pytest.approx(240.0)
    assert rounded_down(375.0) == pytest.approx(375.0)
    assert rounded_down(296.296) == pytest.approx(296.2)
