"""What ``compare`` prints, in a terminal that is too narrow for all versions beside each other."""

import io
from dataclasses import replace

import pytest
from rich.console import Console

from carrierfloor.cli import compare_view
from carrierfloor.cli.compare_content import Content, Figure
from tests.page_content import content

ROWS = ("Modulation density", "Carrier cut-offs", "Beyond 5 kHz")
NAMES = [f"everyday, drive {number}" for number in range(1, 10)]


def nine_versions() -> Content:
    """The material of the page, with figures as long as those of ``compare``."""
    known = content(seconds=(1.0,), versions=2)
    version = known.phrases[0].versions[0]
    figures = [Figure(name=name, value="-134.5", unit="dBFS") for name in ROWS]
    versions = [
        replace(version, name=name, figures=dict.fromkeys(known.points, figures)) for name in NAMES
    ]
    return replace(known, phrases=[replace(known.phrases[0], versions=versions)])


@pytest.mark.parametrize("width", [60, 80, 120])
def test_every_figure_stands_in_one_line(width: int) -> None:
    """Each version has a column once, and no row is cut or broken."""
    said = io.StringIO()
    compare_view.show(nine_versions(), Console(file=said, width=width))
    text = said.getvalue()
    assert "…" not in text
    assert all(text.count(name) == 1 for name in NAMES)
    rows = [line for line in text.splitlines() if line.startswith("  ")]
    figures = [line for line in rows if line.startswith(tuple(f"  {row} " for row in ROWS))]
    assert sum(line.count("-134.5 dBFS") for line in figures) == len(ROWS) * 3 * len(NAMES)
    assert max(map(len, text.splitlines())) <= width


def test_a_long_name_without_spaces_is_folded() -> None:
    """Two that differ only in their last letter are told apart."""
    known = nine_versions()
    names = ["everyday_from_the_shack_A", "everyday_from_the_shack_B"]
    versions = [
        replace(version, name=name)
        for version, name in zip(known.phrases[0].versions, names, strict=False)
    ]
    said = io.StringIO()
    two = replace(known, phrases=[replace(known.phrases[0], versions=versions)])
    compare_view.show(two, Console(file=said, width=80))
    heading = said.getvalue().splitlines()[1:3]
    folded = ["".join(parts) for parts in zip(*(line.split() for line in heading), strict=True)]
    assert folded == names


def test_what_fits_stands_beside_each_other() -> None:
    said = io.StringIO()
    compare_view.show(nine_versions(), Console(file=said, width=300))
    assert any(all(name in line for name in NAMES) for line in said.getvalue().splitlines())
