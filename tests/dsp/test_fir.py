import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.fir import (
    Filter,
    fir_coefficients,
    fir_kernel,
    fir_state,
    kaiser_low_pass,
    kaiser_taps,
)
from carrierfloor.dsp.stage import CompiledStage
from tests.dsp import contract


def stage_of(filter_: Filter) -> CompiledStage:
    return CompiledStage("test", fir_kernel, fir_coefficients(filter_), fir_state(filter_))


def test_design_equals_scipys_firwin() -> None:
    """scipy.signal.firwin with a Kaiser window of scipy's own beta for the same attenuation."""
    ours = kaiser_low_pass(101, 4500.0, 80.0, 48_000.0)
    window = ("kaiser", signal.kaiser_beta(80.0))
    np.testing.assert_allclose(
        ours, signal.firwin(101, 4500.0, window=window, fs=48_000), atol=1e-12
    )


@pytest.mark.parametrize(("width_hz", "stop_db"), [(1000.0, 80.0), (300.0, 60.0), (5000.0, 96.0)])
def test_length_equals_scipys_kaiserord(width_hz: float, stop_db: float) -> None:
    """scipy.signal.kaiserord: the same formula, Kaiser 1974."""
    expected, _ = signal.kaiserord(stop_db, width_hz / 24_000.0)
    assert kaiser_taps(width_hz, stop_db, 48_000.0) == expected


@pytest.mark.parametrize(("taps", "stride"), [(1, 1), (8, 1), (9, 1), (241, 1), (73, 3), (20, 7)])
def test_filter_equals_scipys_lfilter(taps: int, stride: int) -> None:
    """scipy.signal.lfilter with the gaps of the stride written out as zeros."""
    h = np.random.default_rng(taps).standard_normal(taps)
    spread = np.zeros((taps - 1) * stride + 1)
    spread[::stride] = h
    audio = contract.noise(0.2)
    expected = signal.lfilter(spread, 1.0, audio)
    np.testing.assert_allclose(stage_of(Filter(h, stride)).process(audio), expected, atol=1e-12)


@pytest.mark.parametrize("stride", [1, 3])
def test_stage_contract(stride: int) -> None:
    h = np.random.default_rng(5).standard_normal(50) / 50

    def make() -> CompiledStage:
        return stage_of(Filter(h, stride))

    audio = contract.noise(0.3)
    contract.assert_seamless(make, audio)
    contract.assert_reset_is_fresh(make, audio)
    contract.assert_silence_stays_silent(make, audio)
