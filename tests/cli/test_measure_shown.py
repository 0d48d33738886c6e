"""What ``measure`` shows: its screen, its keys, its pictures."""

import io
import re
from collections.abc import Iterator, Mapping
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.image import imread
from rich.console import Console

from carrierfloor.cli import measure_view
from carrierfloor.cli.measure_keys import KEYS
from carrierfloor.cli.measure_pictures import distortion_figure
from carrierfloor.cli.measuring import Measured, Setting
from tests.cli.files import run
from tests.cli.measured_path import (
    Done,
    fill,
    named,
    path_of,
    run_all,
)

Capsys = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: Any) -> Path:
    return fill(tmp_path_factory.mktemp("captures"))


@pytest.fixture(scope="module")
def real(folder: Path, tmp_path_factory: Any) -> Done:
    return run_all(folder, tmp_path_factory.mktemp("real"))


@pytest.fixture(scope="module")
def found(folder: Path) -> tuple[Measured, Setting]:
    return path_of(folder)


def dotted(report: Mapping[str, Any], head: str = "") -> Iterator[str]:
    for key, value in report.items():
        if isinstance(value, Mapping) and value:
            yield from dotted(value, f"{head}{key}.")
        else:
            yield f"{head}{key}"


def test_the_screen_says_how_far_up_bends_are_seen(real: Done) -> None:
    """A crest that saturates only beyond the sweep's depth leaves no harmonic in it."""
    file = io.StringIO()
    measure_view.show(real.report, Console(width=100, file=file))
    depth = f"{real.report['sweep']['depth_pct']:.0f}"
    assert f"seen up to {depth} % modulation; what bends only beyond" in file.getvalue()


def test_no_digit_is_cut_on_a_narrow_screen(real: Done) -> None:
    """Sixty columns hold what a hundred do, and a long name of a path is never cut."""
    report = deepcopy(real.report)
    report["paths"]["path_1"]["name"] = "audio stages, driver, modulation transformer"
    texts = []
    for width in (60, 100):
        file = io.StringIO()
        measure_view.show(report, Console(width=width, file=file))
        texts.append(file.getvalue())
        changes = texts[-1].partition("\nIn ")[2]
        assert changes.count(" Hz") == sum(
            change[key].count(" Hz")
            for change in report["rig"]["changes"]
            for key in ("old", "new")
        )
        assert all(key in texts[-1] for key in ("negative_margin_pct", "positive_margin_pct"))
    assert "…" not in "".join(texts)
    numbers = [re.findall(r"[-+]?\d+\.\d+", text.partition("In ")[0]) for text in texts]
    assert numbers[0] == numbers[1]


def test_every_key_is_explained(real: Done, capsys: Capsys) -> None:
    def shape(key: str) -> str:
        key = re.sub(r"(at_)\d+(_hz)", r"\1F\2", key)
        key = re.sub(r"hum\.[\d.]+_hz", "hum.F_hz", key)
        return key.replace("margin.positive.", "margin.negative.")

    versions = {f"versions.{name}" for name in real.report["versions"]}
    in_report = {shape(key) for key in dotted(real.report)} - versions
    explained = {key for key in KEYS if not key.startswith("live.")}
    assert in_report | {"versions", "paths"} == explained
    assert run("measure", "--report-keys") == 0
    out = capsys.readouterr().out
    assert all(key in out for key in KEYS)


@pytest.mark.parametrize("name", ["160 m $^$ 80 m", "driver, transformer, " * 6])
def test_any_name_of_a_path_fits_above_a_picture(
    name: str, found: tuple[Measured, Setting]
) -> None:
    """Neither a formula, which may not be one, nor longer than the picture is wide."""
    figure = distortion_figure(named(found[0], name))
    canvas: Any = FigureCanvasAgg(figure)  # its methods know no types
    canvas.draw()
    assert figure.axes[0].title.get_window_extent(canvas.get_renderer()).x1 < figure.bbox.x1


def test_pictures(real: Done) -> None:
    assert [Path(name).name for name in real.report["pictures"]] == [
        "response.png", "distortion.png", "regrowth.png",
    ]  # fmt: skip
    for name in real.report["pictures"]:
        image = imread(name)
        assert image.shape[1] == 1350
        inked = image[..., 3] > 0.5
        assert 0.01 < inked.mean() < 0.5  # something is drawn, and not everything
