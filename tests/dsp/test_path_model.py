"""The fitted digital path against the analogue one."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.path_model import digital_sections
from carrierfloor.dsp.predicted import predicted_paths
from carrierfloor.dsp.rig import rig_from_table
from carrierfloor.dsp.ring_out import ring_out_rows
from carrierfloor.dsp.sections import Section
from tests import clips
from tests.reference import nasty


def path(*rows: dict[str, float | str]) -> Path:
    return Path(name="path", sections=tuple(Section(**row) for row in rows))  # type: ignore[arg-type]


PATHS = {
    "second-order 15 Hz": path({"kind": "highpass", "corner_hz": 15.0, "q": 0.7}),
    "40 Hz and 7 kHz": path(
        {"kind": "highpass", "corner_hz": 40.0, "q": 0.7},
        {"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},
    ),
    "resonant": path(
        {"kind": "highpass", "corner_hz": 40.0, "q": 1.5},
        {"kind": "lowpass", "corner_hz": 5000.0, "q": 2.0},
    ),
    "first-order": path(
        {"kind": "highpass", "corner_hz": 30.0},
        {"kind": "highpass", "corner_hz": 60.0},
        {"kind": "lowpass", "corner_hz": 5000.0},
    ),
    "peak and shelves": path(
        {"kind": "peak", "centre_hz": 900.0, "gain_db": 3.0, "q": 0.8},
        {"kind": "lowshelf", "corner_hz": 200.0, "gain_db": -4.0},
        {"kind": "highshelf", "corner_hz": 3000.0, "gain_db": 5.0, "q": 0.6},
    ),
    "only a low-pass": path({"kind": "lowpass", "corner_hz": 3000.0, "q": 1.2}),
    # Fits that are easily caught in a corner: a section beyond the audio, one that hardly acts,
    # one that needs another section, very low corners.
    "near the top": path(
        {"kind": "highpass", "corner_hz": 1.5},
        {"kind": "lowpass", "corner_hz": 22_000.0, "q": 2.9},
        {"kind": "lowpass", "corner_hz": 11_000.0, "q": 7.7},
    ),
    "hardly a peak": path(
        {"kind": "peak", "centre_hz": 2000.0, "gain_db": 0.001, "q": 2.14},
        {"kind": "highpass", "corner_hz": 16.6, "q": 1.1},
        {"kind": "lowpass", "corner_hz": 3979.0, "q": 1.0},
    ),
    "soft low-pass and shelf": path(
        {"kind": "lowpass", "corner_hz": 11_978.0, "q": 0.46},
        {"kind": "highshelf", "corner_hz": 1054.0, "gain_db": -7.7, "q": 0.5},
    ),
    "all-passes": path(
        {"kind": "allpass", "corner_hz": 150.0},
        {"kind": "highpass", "corner_hz": 40.0, "q": 0.7},
        {"kind": "allpass", "corner_hz": 3000.0, "q": 0.7},
        {"kind": "lowpass", "corner_hz": 7000.0, "q": 0.7},
    ),
    "very low": path(
        {"kind": "highpass", "corner_hz": 0.45, "q": 1.7},
        {"kind": "lowpass", "corner_hz": 9557.0},
    ),
}


@pytest.mark.parametrize("name", PATHS)
def test_fit_follows_the_analogue_response(name: str) -> None:
    """scipy.signal.sosfreqz of the fit equals the analogue response but for a constant delay."""
    model = PATHS[name]
    sections, stated_error = digital_sections(model)
    f = np.geomspace(5.0, 7500.0, 1500)
    rows = np.insert(sections, 3, 1.0, axis=1)
    _, response = signal.sosfreqz(rows, f, fs=48_000)
    wanted = model.response(f)
    turns = np.unwrap(np.angle(response / wanted))
    delay = np.polyfit(f, turns, 1, w=np.abs(wanted))[0]
    error = np.abs(response * np.exp(-1j * delay * f) - wanted)
    assert stated_error < 6e-5
    assert error.max() < 2.5e-4
    assert np.all(np.abs([np.roots([1.0, a1, a2]) for *_, a1, a2 in sections]) < 1.0)


def test_flat_path_has_no_sections() -> None:
    sections, error = digital_sections(Path(name="flat"))
    assert sections.shape == (0, 5)
    assert error == 0.0


@pytest.mark.parametrize("kind", ["peak", "lowshelf", "highshelf"])
def test_section_of_no_gain_is_left_out(kind: str) -> None:
    """A peak of 0 dB is what people leave in a file they copied; nothing can be fitted to it."""
    key = "centre_hz" if kind == "peak" else "corner_hz"
    idle: dict[str, float | str] = {"kind": kind, key: 840.0, "gain_db": 0.0, "q": 2.3}
    low: dict[str, float | str] = {"kind": "lowpass", "corner_hz": 10_591.0, "q": 2.8}
    np.testing.assert_allclose(
        digital_sections(path(idle, low))[0], digital_sections(path(low))[0], atol=1e-6
    )


def test_no_fitted_section_rings_on() -> None:
    """A pole on the unit circle, hidden by a zero, is in no response but never rings out."""
    for model in PATHS.values():
        free = [s.frequency_hz >= 500.0 for s in model.sections]
        for row, fitted in zip(digital_sections(model)[0], free, strict=False):
            if fitted:
                assert np.abs(np.roots([1.0, *row[3:]])).max() <= 0.99981


def test_path_beyond_the_model_is_refused() -> None:
    """Seven sections, four of them above the audio: the limiter cannot foretell that."""
    absurd = [
        {"kind": "lowpass", "corner_hz": 2296.81},
        {"kind": "lowpass", "corner_hz": 12_264.3},
        {"kind": "highshelf", "corner_hz": 14_201.99, "q": 2.51, "gain_db": 17.33},
        {"kind": "lowpass", "corner_hz": 17_240.28},
        {"kind": "highpass", "corner_hz": 60.64, "q": 0.59},
        {"kind": "lowpass", "corner_hz": 29_412.11, "q": 1.09},
        {"kind": "lowpass", "corner_hz": 10_721.37, "q": 5.74},
    ]
    rig = rig_from_table({"name": "absurd", "paths": [{"sections": absurd}]}, "absurd.toml")
    with pytest.raises(SettingError, match=r"path 'path 1': .* 7 sections is 1\.\d+ % off"):
        predicted_paths(rig, np.zeros((0, 5)), 0.0)


def test_what_boosts_ahead_of_a_path_needs_a_better_model() -> None:
    """A misfit of the path is boosted with the sound: 40 dB make 0.4 % out of 0.004 %."""
    rig = clips.rig(nasty.PATHS["resonant 40 Hz and 5 kHz"])
    gain = np.array([[4.0, 0.0, 0.0, 0.0, 0.0]])
    assert len(predicted_paths(rig, gain, 0.0)) == 2
    with pytest.raises(SettingError, match=r"0\.00\d+ % off \(allowed 0\.001 %\).* or equalise it"):
        predicted_paths(rig, 25.0 * gain, 0.0)


def test_path_has_unity_gain_at_1_khz() -> None:
    for model in PATHS.values():
        assert abs(model.response(np.array([1000.0]))[0]) == pytest.approx(1.0, abs=1e-12)


def test_ring_out_rows_foretell_a_silent_cascade() -> None:
    """The same future by running the cascade on silence, sample by sample."""
    sections = digital_sections(PATHS["resonant"])[0]
    packed, state = cascade(sections), cascade_state(len(sections))
    block = np.random.default_rng(5).standard_normal(400)
    biquad_kernel(packed, state, block)
    foretold = state @ ring_out_rows(packed)
    silence = np.zeros(20_000)
    biquad_kernel(packed, state, silence)
    steps = [0]
    while len(steps) < len(foretold):
        steps.append(steps[-1] + max(4, int(0.02 * steps[-1])))
    np.testing.assert_allclose(foretold, silence[steps], atol=1e-9)
    # No top lies unseen between the moments, once the fast modes have died.
    assert np.abs(foretold[50:]).max() == pytest.approx(np.abs(silence[200:]).max(), rel=1e-3)
