"""The promise with the equaliser on: it sits behind the limiter, and inside its model.

Judged as in test_guarantee.py, by the analogue paths alone: what the equaliser does is in the
samples.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carrierfloor import presets
from carrierfloor.cli.main import main
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.equaliser import equaliser_of
from carrierfloor.dsp.errors import SettingError
from tests import clips
from tests.reference import antenna, nasty
from tests.test_guarantee import HARD, PIECES, any_path, assert_held, piece
from tests.test_guarantee_files import write_rig

EQUALISED = [
    "second-order 80 Hz and 6 kHz",
    "resonant 40 Hz and 5 kHz",
    "three paths at once",
    "peak and shelves",
]
STEEP = nasty.PATHS["second-order 80 Hz and 6 kHz"]


@pytest.fixture(scope="module", params=EQUALISED)
def equalised(request: pytest.FixtureRequest) -> tuple[Chain, list[Any]]:
    """A chain with the default voice and an equaliser, and its paths."""
    paths = nasty.PATHS[request.param]
    rig = clips.equalised(clips.rig(paths))
    assert len(equaliser_of(rig).sections) > 0
    return Chain(clips.voice(), rig), paths


@pytest.mark.parametrize("name", [*HARD, "dc_step", "sweep", "nan_and_infinity"])
def test_an_equalised_rig_holds_the_carrier_up(
    name: str, equalised: tuple[Chain, list[Any]]
) -> None:
    """As it leaves the chain, and cut to the length of the recording as in a file."""
    chain, paths = equalised
    chain.reset()
    card = clips.run(chain, clips.sound(name))
    assert_held(card, paths)
    in_file = card[chain.latency_samples :][: len(clips.sound(name))]
    verdict = assert_held(in_file, paths)
    assert name not in HARD or max(verdict.trough, verdict.crest) > 0.94


@pytest.mark.parametrize("name", ["M2_harvard_phrases", "square", "sweep", "white_noise"])
def test_the_converter_never_clips(name: str) -> None:
    """At 0 dBFS for 100 % there is no room for a boost: the limiter makes it, at the card."""
    paths = nasty.PATHS["peak and shelves"]
    rig = clips.equalised(clips.rig(paths, full_modulation_dbfs=0.0))
    card = clips.run(Chain(clips.voice(), rig), clips.sound(name))
    assert 0.99 < np.abs(card).max() <= 1.0
    assert_held(card, paths, full_modulation=1.0)


@pytest.mark.parametrize("size", [1, 7, 480, 4096])
def test_the_cut_into_blocks_changes_no_bit(size: int) -> None:
    samples = clips.sound("M1_harvard_phrases")[20_000:50_000]
    chain = Chain(clips.voice(), clips.equalised(clips.rig(STEEP)))
    whole = clips.run(chain, samples)
    chain.reset()
    np.testing.assert_array_equal(clips.run(chain, samples, range(0, len(samples), size)), whole)


def test_the_response_at_the_antenna_is_flat() -> None:
    """White noise so quiet that nothing limits: by FFT, antenna against input, within 0.5 dB.

    Without the equaliser it is 7 dB off.
    """
    noise = 0.01 * np.random.default_rng(4).normal(0.0, 1.0, 2**19)
    flat = {}
    for name, rig in {"off": clips.rig(STEEP), "on": clips.equalised(clips.rig(STEEP))}.items():
        card = clips.run(Chain(clips.voice("bypass"), rig), noise)
        _, _, lead = antenna.spectrum(card, nasty.RATE_HZ, 10 ** (-6 / 20), STEEP[0])
        seen = antenna.modulation(card, nasty.RATE_HZ, 10 ** (-6 / 20), STEEP[0], 1)[lead:]
        flat[name] = _deviation_db(noise, seen[: len(noise)])
    assert flat["off"] > 5.0
    assert flat["on"] < 0.5


def _deviation_db(given: clips.Array, seen: clips.Array) -> float:
    """Compare the power in bands a sixth of an octave wide from 60 Hz to 4.5 kHz."""
    frequency_hz = np.fft.rfftfreq(len(given), 1 / nasty.RATE_HZ)
    before, after = (np.abs(np.fft.rfft(x)) ** 2 for x in (given, seen))
    edges = np.searchsorted(frequency_hz, np.geomspace(60.0, 4500.0, 38))
    ratio = np.add.reduceat(after, edges)[:-1] / np.add.reduceat(before, edges)[:-1]
    at_1_khz = np.searchsorted(edges, np.searchsorted(frequency_hz, 1000.0)) - 1
    return float(np.abs(10 * np.log10(ratio / ratio[at_1_khz])).max())


@pytest.mark.parametrize(
    ("rate_hz", "options"),
    [(8000, ["--subtype", "PCM_16"]), (44_100, ["--subtype", "FLOAT"]), (48_000, [])],
)
def test_files_hold_it_and_predict_agrees(
    rate_hz: int, options: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same samples through the path alone, by the judge and by the command predict."""
    source, target = tmp_path / "in.wav", tmp_path / "out.wav"
    sf.write(source, clips.sound("F2_harvard_phrases"), nasty.RATE_HZ, subtype="DOUBLE")
    rig = write_rig(tmp_path, STEEP)
    rig.write_text(rig.read_text("utf-8") + "\n[equalise]\nenabled = true\n", "utf-8")
    given = [str(source), str(target), "--rig", str(rig), "--rate", str(rate_hz), *options]
    assert main(["process", *given]) == 0
    samples, written_hz = sf.read(target)
    assert written_hz == rate_hz
    assert len(samples) == round(len(clips.sound("F2_harvard_phrases")) * rate_hz / nasty.RATE_HZ)
    assert assert_held(samples, STEEP, rate_hz=rate_hz).trough > 0.93
    assert "antenna flat within 0." in capsys.readouterr().out
    assert main(["predict", str(target), "--rig", str(rig)]) == 0
    said = capsys.readouterr().out
    assert "The carrier stays up" in said
    assert "The rig's equaliser is no part of the transmitter" in said


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    pieces=st.lists(PIECES, min_size=1, max_size=5),
    path=any_path(),
    voice=st.sampled_from([presets.DEFAULT_VOICE, "bypass"]),
    lowest_hz=st.sampled_from([20.0, 50.0, 200.0]),
    most_boost_db=st.sampled_from([6.0, 12.0, 24.0]),
)
def test_any_sound_through_any_equalised_path(
    pieces: list[tuple[str, int, float, int]],
    path: list[dict[str, Any]],
    voice: str,
    lowest_hz: float,
    most_boost_db: float,
) -> None:
    rig = clips.equalised(clips.rig([path]), lowest_hz=lowest_hz, most_boost_db=most_boost_db)
    samples = np.concatenate([piece(*one) for one in pieces])
    try:
        chain = Chain(clips.voice(voice), rig)
    except SettingError as refusal:
        assert "equalise" in str(refusal)  # noqa: PT017
        return
    card = clips.run(chain, samples)
    assert_held(card, [path])
    assert_held(card[chain.latency_samples :][: len(samples)], [path])
