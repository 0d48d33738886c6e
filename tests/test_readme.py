"""What the README says can be done can be done, and what it names is there."""

import re
from pathlib import Path

import pytest

from carrierfloor import presets
from carrierfloor.cli.parser import build_parser
from carrierfloor.cli.report_keys import KEYS
from tests.clips import ROOT

README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```", README, re.M | re.S)


def test_first_two_blocks_are_one_line_each() -> None:
    """The main job on audio_samples, then the tests, each from a fresh clone."""
    assert [len(text.splitlines()) for _, text in BLOCKS[:2]] == [1, 1]
    assert "carrierfloor process audio_samples" in BLOCKS[0][1]
    tests = BLOCKS[1][1].rstrip().split(" && ")[-2:]
    assert tests == (ROOT / ".ci" / "run").read_text("utf-8").splitlines()[-2:]


def test_options_of_the_first_block_are_known() -> None:
    words = BLOCKS[0][1].split(".venv/bin/carrierfloor ")[1].split()
    arguments = build_parser().parse_args(words)
    assert arguments.into == Path("processed")


def test_python_example_runs(capsys: pytest.CaptureFixture[str]) -> None:
    (example,) = (text for language, text in BLOCKS if language == "python")
    names: dict[str, object] = {}
    exec(example, names)
    assert len(names["in_step"]) == 48_000  # type: ignore[arg-type]
    assert float(capsys.readouterr().out) > 0.0


@pytest.mark.parametrize("what", ["voices", "rigs"])
def test_every_preset_is_named(what: str) -> None:
    for name in presets.names(what):
        assert f"| `{name}`" in README


def test_report_keys_exist() -> None:
    named = re.findall(
        r"`((?:antenna|card|chain|speed|input)\.\w+)`", README.split("The keys most used")[1]
    )
    assert len(named) > 5
    assert set(named) <= set(KEYS)


@pytest.mark.parametrize("document", [README, DEVELOPERS])
def test_files_named_are_there(document: str) -> None:
    for name in re.findall(r"`((?:tests|dsp|cli|presets|audio_samples)/[\w/.-]+)`", document):
        assert (ROOT / name).exists(), name
    for name in re.findall(r"\]\((?!http)([^)]+)\)", document):
        assert (ROOT / name).exists(), name


def test_developers_map_names_files_that_exist() -> None:
    table = DEVELOPERS.split("Where to look in `dsp/`")[1].split("Inside the chain")[0]
    rows = [line.split("|")[2] for line in table.splitlines() if line.startswith("| ")][1:]
    for name in re.findall(r"`(\w+)`", " ".join(rows)):
        assert (ROOT / "dsp" / f"{name}.py").is_file(), name
