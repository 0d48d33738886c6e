"""The promise holds for the files that the command line writes, at every rate and sample type.

Judged as in test_guarantee.py, from the samples that a player gets out of the file.
"""

from pathlib import Path
from typing import Any

import pytest
import soundfile as sf

from carrierfloor.cli.main import main
from tests import clips
from tests.reference import nasty
from tests.test_guarantee import assert_held

RIG = """
name = "a rig of the tests"
[modulation]
negative_limit_pct = 95.0
positive_limit_pct = 125.0
[level]
full_modulation_dbfs = -6.0
"""


def write_rig(folder: Path, paths: list[list[Any]]) -> Path:
    """Write a rig file with these paths."""
    lines = [RIG]
    for path in paths:
        lines.append("[[paths]]")
        for section in path:
            lines.append("[[paths.sections]]")
            lines += [f"{key} = {value!r}".replace("'", '"') for key, value in section.items()]
    file = folder / "rig.toml"
    file.write_text("\n".join(lines), "utf-8")
    return file


def process(
    folder: Path,
    name: str,
    paths: list[list[Any]],
    *options: str,
    ending: str = "wav",
    rate_hz: int = nasty.RATE_HZ,
) -> tuple[clips.Array, int]:
    """Run the command on a sound; return the samples and the rate of the file it writes."""
    source, target = folder / "in.wav", folder / f"out.{ending}"
    sf.write(source, clips.sound(name), rate_hz, subtype="DOUBLE")
    rig = write_rig(folder, paths)
    assert main(["process", str(source), str(target), "--rig", str(rig), *options]) == 0
    samples, written_hz = sf.read(target)
    return samples, written_hz


@pytest.mark.parametrize(
    ("ending", "subtype"),
    [("wav", "PCM_16"), ("wav", "PCM_24"), ("wav", "FLOAT"), ("flac", "PCM_16")],
)
@pytest.mark.parametrize("name", ["M2_harvard_phrases", "square", "nan_and_infinity"])
def test_sample_types(name: str, ending: str, subtype: str, tmp_path: Path) -> None:
    paths = nasty.PATHS["second-order 80 Hz and 6 kHz"]
    card, rate_hz = process(tmp_path, name, paths, "--subtype", subtype, ending=ending)
    assert sf.info(tmp_path / f"out.{ending}").subtype == subtype
    assert rate_hz == nasty.RATE_HZ
    assert len(card) == len(clips.sound(name))
    assert_held(card, paths)


@pytest.mark.parametrize("rate_hz", [8000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize(("name", "used"), [("F1_harvard_phrases", 0.94), ("white_noise", 0.5)])
def test_output_rates(name: str, used: float, rate_hz: int, tmp_path: Path) -> None:
    paths = nasty.PATHS["second-order 40 Hz and 7 kHz"]
    card, written_hz = process(tmp_path, name, paths, "--rate", str(rate_hz))
    assert written_hz == rate_hz
    assert len(card) == round(len(clips.sound(name)) * rate_hz / nasty.RATE_HZ)
    verdict = assert_held(card, paths, rate_hz=rate_hz)
    assert verdict.trough > used


@pytest.mark.parametrize("rate_hz", [8000, 44_100, 96_000])
def test_rate_of_the_input_is_kept(rate_hz: int, tmp_path: Path) -> None:
    """The same samples, declared to be of another rate: another voice, the same promise."""
    paths = nasty.PATHS["resonant 40 Hz and 5 kHz"]
    card, written_hz = process(tmp_path, "M1_harvard_phrases", paths, rate_hz=rate_hz)
    assert written_hz == rate_hz
    assert len(card) == len(clips.sound("M1_harvard_phrases"))
    assert_held(card, paths, rate_hz=rate_hz)


def test_narrow_rate_rough_samples_and_three_paths(tmp_path: Path) -> None:
    """8 kHz carries less than the default voice wants; three paths at once, 16 bit."""
    paths = nasty.PATHS["three paths at once"]
    options = ("--rate", "8000", "--subtype", "PCM_16", "--drive", "18")
    card, _ = process(tmp_path, "calm_then_shout_male", paths, *options)
    assert_held(card, paths, rate_hz=8000)
