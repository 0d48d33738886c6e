"""A flat bottom that is carrier cut-off, and one that an overloaded stage makes.

Reference: staircases through transmitters and overloaded stages that are written down here; the
level of each transmitter is known.
"""

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level_fit import fit_level
from carrierfloor.dsp.level_from_cutoff import CutoffReadings, read_by_cutoff
from carrierfloor.dsp.staircase_match import match
from carrierfloor.dsp.staircase_reading import read_steps
from carrierfloor.dsp.tone_lines import ToneLines
from tests.clips import Array
from tests.level_ways import LIMIT, Stairs, stairs

FULL_DBFS = -6.1
RATE_HZ, TIMES = 48_000, 4
Bends = Callable[[Array], Array]


@cache
def staircase() -> Stairs:
    return stairs(first=-24.0, last=-1.0)


def straight(v: Array) -> Array:
    return v


def compressed(begins: float) -> Bends:
    """Crests above that never rise by more than half of the carrier."""

    def through(v: Array) -> Array:
        above = np.maximum(v - begins, 0.0)
        return np.minimum(v, begins) + 0.5 * np.tanh(above / 0.5)

    return through


def saturated(crest: float) -> Bends:
    return lambda v: np.minimum(v, crest)


def high_pass(samples: Array, corner_hz: float) -> Array:
    top, bottom = signal.butter(1, corner_hz, "highpass", fs=RATE_HZ)
    return np.asarray(signal.lfilter(top, bottom, samples))


def heard(modulator: Bends = straight, tap_hz: float = 3.0) -> Array:
    """Return what an AC-coupled tap gives, the carrier 1.0, with noise 40 dB down."""
    v = signal.resample_poly(staircase().card / 10 ** (FULL_DBFS / 20), TIMES, 1)
    envelope = signal.resample_poly(np.maximum(0.0, 1.0 + modulator(v)), 1, TIMES, padtype="line")
    noise = np.random.default_rng(1).normal(size=len(envelope))
    return high_pass(envelope - 1.0, tap_hz) + 0.01 * noise


def read(samples: Array) -> CutoffReadings:
    lines = ToneLines(1000.0, 20_000.0)
    lines.feed(0.3 * high_pass(samples, 3.0))
    track, sent = lines.read(), staircase().sent
    return read_by_cutoff(read_steps(track, sent, match(track, sent)))


@pytest.mark.parametrize(
    ("modulator", "tap_hz"),
    [
        (straight, 3.0),
        (straight, 40.0),
        (compressed(0.5), 3.0),  # its crests come to +100 %, as deep as the troughs
        (compressed(0.9), 40.0),
    ],
    ids=["straight", "through a small capacitor", "compressed", "compressed, small capacitor"],
)
def test_a_true_cut_off_is_taken(modulator: Bends, tap_hz: float) -> None:
    found = read(heard(modulator, tap_hz))
    fit = fit_level(found.readings, LIMIT, found.scale_error)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=0.05)
    assert found.flat_crest is None


@pytest.mark.parametrize("crest", [0.8, 1.25])
def test_a_modulator_that_saturates_is_taken_and_its_crest_told(crest: float) -> None:
    found = read(heard(saturated(crest)))
    fit = fit_level(found.readings, LIMIT, found.scale_error)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=0.05)
    assert found.flat_crest == pytest.approx(crest, abs=0.02)


@pytest.mark.parametrize(
    ("cut", "tap_hz"), [(0.5, 3.0), (0.6, 3.0), (0.6, 40.0), (0.8, 3.0)], ids=str
)
def test_a_stage_overloaded_on_both_sides_is_refused(cut: float, tap_hz: float) -> None:
    """Taken for cut-off it would put the level at 20 log10(cut) dB below the true one."""
    with pytest.raises(AudioError, match=r"cut flat alike at -\d+\.0 dBFS.* turn the detector's"):
        read(np.clip(heard(tap_hz=tap_hz), -cut, cut))


def test_one_overloaded_unevenly_is_told_by_its_crest() -> None:
    assert read(np.clip(heard(), -0.6, 0.75)).flat_crest is not None


def test_a_modulator_as_high_as_cut_off_is_deep_cannot_be_told_from_it() -> None:
    with pytest.raises(AudioError, match="the modulator itself does it: then use level scope"):
        read(heard(saturated(1.0)))
