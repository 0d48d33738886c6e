"""The constant of an IQ receiver is found beside a carrier, and nothing else is taken for it."""

import numpy as np
import pytest

from carrierfloor.dsp.iq_constant import constant_of, find_constant
from carrierfloor.dsp.mixer import Complex
from tests.reference.radio import Radio

RATE_HZ = 48_000
T = np.arange(2 * RATE_HZ) / RATE_HZ


def carrier(offset_hz: float, index: float = 0.0, tone_hz: float = 440.0) -> Complex:
    envelope = 1.0 + index * np.sin(2 * np.pi * tone_hz * T)
    radio = Radio(offset_hz=offset_hz, carrier_to_noise_db=45.0, amplitude=1.0)
    return radio.iq(envelope, RATE_HZ)


@pytest.mark.parametrize("offset_hz", [40.0, 3000.0, -20_000.0])
@pytest.mark.parametrize("index", [0.0, 0.9])
def test_it_is_found(offset_hz: float, index: float) -> None:
    found = find_constant(carrier(offset_hz, index) + 0.04 - 0.02j, RATE_HZ, offset_hz)
    assert abs(found - (0.04 - 0.02j)) < 3e-4


def test_what_is_none_is_left_alone() -> None:
    """Noise; a carrier in the middle itself; a tone whose lower sideband lies there; nothing."""
    assert find_constant(carrier(3000.0, 0.9), RATE_HZ, 3000.0) == 0.0
    assert find_constant(carrier(0.0), RATE_HZ, 0.0) == 0.0
    assert find_constant(carrier(1000.0, 0.8, 1000.0), RATE_HZ, 1000.0) == 0.0
    assert find_constant(carrier(3000.0)[:9], RATE_HZ, 3000.0) == 0.0
    assert find_constant(np.zeros(0, dtype=complex), RATE_HZ, 3000.0) == 0.0
    assert constant_of(np.zeros(0, dtype=complex)) == 0.0
