"""The list of packages in pyproject.toml, and what stands around it, agrees with the tree."""

import tomllib
from importlib import resources
from pathlib import Path

import pytest

from carrierfloor import presets
from carrierfloor.cli import compare_page

ROOT = Path(__file__).parents[1]
SETUPTOOLS = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
FOLDERS = ("dsp", "cli", "presets")


def test_package_list_equals_the_tree() -> None:
    """A folder missing from the list works in an editable install and is not in a wheel."""
    found = [
        "carrierfloor." + ".".join(file.parent.relative_to(ROOT).parts)
        for folder in FOLDERS
        for file in (ROOT / folder).rglob("__init__.py")
    ]
    assert sorted(SETUPTOOLS["packages"]) == sorted(found)


@pytest.mark.parametrize("folder", FOLDERS)
def test_folder_is_mapped_and_typed(folder: str) -> None:
    name = f"carrierfloor.{folder}"
    assert SETUPTOOLS["package-dir"][name] == folder
    assert "py.typed" in SETUPTOOLS["package-data"][name]
    assert (ROOT / folder / "py.typed").is_file()


@pytest.mark.parametrize("folder", FOLDERS)
def test_type_checkers_find_the_folder(folder: str) -> None:
    """No type checker follows the import hook of an editable install; these links stand in."""
    link = ROOT / ".ci" / "types" / "carrierfloor" / folder
    assert link.resolve() == ROOT / folder


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_data_file_goes_into_the_wheel(folder: str) -> None:
    """Each preset and each part of the page of ``compare`` matches a pattern of package-data."""
    patterns = SETUPTOOLS["package-data"][f"carrierfloor.{folder}"]
    packed = {file for pattern in patterns for file in (ROOT / folder).glob(pattern)}
    there = {
        file
        for file in (ROOT / folder).rglob("*")
        if file.is_file() and file.suffix not in (".py", ".pyc")
    }
    assert there == packed


def test_presets_are_found_through_the_package() -> None:
    folder = resources.files("carrierfloor.presets")
    for what in ("voices", "rigs", "masks"):
        assert presets.names(what) == sorted(
            file.stem for file in (ROOT / "presets" / what).glob("*.toml")
        )
        assert (folder / what).is_dir()


def test_parts_of_the_page_are_found_through_the_package() -> None:
    folder = resources.files("carrierfloor.cli") / "page"
    for name in ("page.html", "style.css", *compare_page.SCRIPTS):
        assert (folder / name).is_file()


def test_dsp_reads_no_file_and_prints_nothing() -> None:
    """The library is arithmetic only: it never imports what reads, prints or plots, nor cli."""
    forbidden = ("carrierfloor.cli", "soundfile", "sounddevice", "rich", "matplotlib")
    for file in (ROOT / "dsp").glob("*.py"):
        source = file.read_text("utf-8")
        assert "print(" not in source, file.name
        for name in forbidden:
            assert f"import {name}" not in source, file.name
            assert f"from {name}" not in source, file.name
