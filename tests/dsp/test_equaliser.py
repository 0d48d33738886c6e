"""The equaliser's design: flat, bounded, stable, of minimum phase; against scipy's responses.

The paths are evaluated by scipy.signal.freqs from their analogue polynomials, the equaliser by
scipy.signal.sosfreqz.
"""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.equaliser import (
    OUTSIDE_BOOST_DB,
    REST,
    Equaliser,
    equaliser_of,
    sections_behind_limiter,
)
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.output_filter import delay_samples, output_filter
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.rig import Equalise, rig_from_table
from tests import clips
from tests.reference import nasty
from tests.test_guarantee import any_path

RATE_HZ = 48_000
EVERY_HZ = np.linspace(0.0, RATE_HZ / 2, 48_001)
NAMES = [name for name, paths in nasty.PATHS.items() if len(paths) == 1]
NOTCH = [{"kind": "peak", "centre_hz": 1000.0, "gain_db": -30.0, "q": 20.0}]


def path_db(path: Path, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """The gain of a path over that at 1 kHz, section by section, by scipy."""
    at = 2 * np.pi * np.append(frequency_hz, 1000.0)
    gain_db = sum(20 * np.log10(np.abs(signal.freqs(*s.analogue(), at)[1])) for s in path.sections)
    return np.asarray(gain_db[:-1] - gain_db[-1])


def own_db(made: Equaliser, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
    """The gain of an equaliser, by scipy."""
    if not len(made.sections):
        return np.zeros(len(frequency_hz))
    rows = np.insert(made.sections, 3, 1.0, axis=1)
    _, response = signal.sosfreqz(rows, frequency_hz, fs=RATE_HZ)
    return np.asarray(20 * np.log10(np.abs(response)))


def assert_sound(made: Equaliser, asked: Equalise) -> None:
    """Assert all that must hold of any equaliser."""
    assert own_db(made, np.array([1000.0]))[0] == pytest.approx(0.0, abs=1e-9)
    assert made.after_db <= made.before_db
    if not len(made.sections):
        return
    gain_db = own_db(made, EVERY_HZ)
    assert gain_db.max() <= asked.most_boost_db + 1e-6
    assert max(gain_db.max(), 0.0) == pytest.approx(made.boost_db, abs=0.05)
    fallen = (asked.lowest_hz / 4 < EVERY_HZ) & (2 * asked.highest_hz > EVERY_HZ)
    assert gain_db[~fallen].max() <= OUTSIDE_BOOST_DB + 1e-6
    for row in made.sections:
        assert np.abs(np.roots([1.0, *row[3:]])).max() < 1.0
        assert np.abs(np.roots(row[:3])).max() < 1.0


@pytest.mark.parametrize("name", NAMES)
def test_a_path_is_flat_wherever_the_boost_suffices(name: str) -> None:
    """Within half a decibel, and where it does not suffice all of it is used but for as much."""
    asked = Equalise(enabled=True, lowest_hz=40.0)
    rig = clips.equalised(clips.rig(nasty.PATHS[name]), lowest_hz=40.0)
    made = equaliser_of(rig)
    band_hz = np.geomspace(40.0, 5000.0, 800)
    wanted_db = path_db(rig.paths[0], band_hz)
    sum_db = wanted_db + own_db(made, band_hz)
    reached = -wanted_db < asked.most_boost_db - 1.0
    assert np.abs(sum_db[reached]).max() < 0.7
    assert np.abs(sum_db[~reached]).max(initial=0.0) <= max(np.abs(wanted_db).max() - 10.0, 0.0)
    assert made.after_db == pytest.approx(np.abs(sum_db).max(), abs=0.01)
    assert made.before_db == pytest.approx(np.abs(wanted_db).max(), abs=0.01)
    assert_sound(made, asked)


def test_some_of_the_phase_is_undone_with_the_gain() -> None:
    """Behind 80 Hz and 6 kHz a third of the phase at 100 Hz goes; a constant delay is taken out."""
    rig = clips.equalised(clips.rig(nasty.PATHS["second-order 80 Hz and 6 kHz"]))
    band_hz = np.linspace(100.0, 4000.0, 2000)
    path = np.prod(
        [signal.freqs(*s.analogue(), 2 * np.pi * band_hz)[1] for s in rig.paths[0].sections], axis=0
    )
    rows = np.insert(equaliser_of(rig).sections, 3, 1.0, axis=1)
    both = path * signal.sosfreqz(rows, band_hz, fs=RATE_HZ)[1]

    def dispersion(response: NDArray[np.complex128]) -> float:
        phase = np.unwrap(np.angle(response))
        delay = np.dot(phase, band_hz) / np.dot(band_hz, band_hz)
        return float(np.abs(phase - delay * band_hz)[0])

    assert dispersion(path) > 1.0
    assert dispersion(both) < 0.65 * dispersion(path)


def test_several_paths_share_one_that_helps_the_worst() -> None:
    rig = clips.equalised(clips.rig(nasty.PATHS["three paths at once"]))
    made = equaliser_of(rig)
    band_hz = np.geomspace(50.0, 5000.0, 800)
    before = max(np.abs(path_db(path, band_hz)).max() for path in rig.paths)
    own = own_db(made, band_hz)
    after = max(np.abs(path_db(path, band_hz) + own).max() for path in rig.paths)
    spread_db = np.ptp([path_db(path, band_hz) for path in rig.paths], axis=0)
    assert after < before - 1.0
    assert after < spread_db.max() / 2 + 0.5  # no common filter can do better than half of it
    assert_sound(made, rig.equalise)


@settings(max_examples=15, deadline=None)
@given(
    paths=st.lists(any_path(), min_size=1, max_size=3),
    lowest_hz=st.sampled_from([20.0, 50.0, 300.0]),
    highest_hz=st.sampled_from([2000.0, 5000.0, 8000.0]),
    most_boost_db=st.sampled_from([1.0, 6.0, 12.0, 24.0]),
)
def test_any_path_gets_a_sound_one(
    paths: list[list[dict[str, Any]]], lowest_hz: float, highest_hz: float, most_boost_db: float
) -> None:
    asked = {"lowest_hz": lowest_hz, "highest_hz": highest_hz, "most_boost_db": most_boost_db}
    rig = clips.equalised(clips.rig(paths), **asked)
    try:
        made = equaliser_of(rig)
    except SettingError as refusal:
        assert str(refusal).startswith("equalise: no filter was found")  # noqa: PT017
        return
    assert_sound(made, rig.equalise)


def test_nothing_is_done_unless_asked_or_needed() -> None:
    steep = clips.rig(nasty.PATHS["resonant 40 Hz and 5 kHz"])
    assert not steep.equalise.enabled
    for rig in (
        steep,
        clips.equalised(clips.rig()),
        clips.equalised(clips.rig([[]])),
        clips.equalised(clips.rig(nasty.PATHS["second-order 15 Hz"])),  # 0.05 dB off at 50 Hz
    ):
        assert equaliser_of(rig).sections.shape == (0, 5)
        assert equaliser_of(rig).rest_samples == 0


def test_what_cannot_be_done_is_refused_in_one_line() -> None:
    """A notch of 30 dB where the gain is set to 1: everything else would have to be cut."""
    with pytest.raises(
        SettingError, match=r"^equalise: no filter was found .* 50 to 5000 Hz"
    ) as no:
        equaliser_of(clips.equalised(clips.rig([NOTCH])))
    assert "\n" not in str(no.value)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"enabled": 1}, "rig: equalise: enabled is 1; it must be true or false"),
        ({"lowest_hz": 10}, "rig: equalise: lowest_hz is 10 Hz; it must be 20 to 300 Hz"),
        ({"highest_hz": 9e3}, "rig: equalise: highest_hz is 9000 Hz; it must be 2000 to 8000 Hz"),
        ({"most_boost_db": 30}, "rig: equalise: most_boost_db is 30 dB; it must be 1 to 24 dB"),
        ({"boost_db": 6}, "rig: equalise: boost_db is not a known key; did you mean most_boost_db"),
    ],
)
def test_refusals_of_keys(table: dict[str, Any], message: str) -> None:
    with pytest.raises(SettingError) as refusal:
        rig_from_table({"name": "r", "equalise": table}, "rig")
    assert str(refusal.value).startswith(message)


def test_comes_to_rest_as_stated() -> None:
    """What scipy.signal.sosfilt still gives afterwards sums up to next to nothing."""
    made = equaliser_of(clips.equalised(clips.rig(nasty.PATHS["second-order 80 Hz and 6 kHz"])))
    impulse = np.zeros(RATE_HZ)
    impulse[0] = 1.0
    answer = np.abs(signal.sosfilt(np.insert(made.sections, 3, 1.0, axis=1), impulse))
    assert answer[made.rest_samples :].sum() < REST <= answer[made.rest_samples - 1 :].sum()
    assert made.rest_samples < 0.1 * RATE_HZ


def test_sits_behind_the_output_filter() -> None:
    rig = clips.equalised(clips.rig(nasty.PATHS["peak and shelves"]))
    behind = sections_behind_limiter(rig, 3600.0)
    first = output_filter(3600.0)
    np.testing.assert_array_equal(behind[: len(first)], first)
    np.testing.assert_array_equal(behind[len(first) :], equaliser_of(rig).sections)
    assert abs(delay_samples(equaliser_of(rig).sections)) < 10
