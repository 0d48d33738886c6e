"""What ``study`` shows of its rows, on the screen and in pictures; no phrase is tried here."""

import io
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations, pairwise, product
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text
from rich.console import Console

from carrierfloor.cli import study_summary
from carrierfloor.cli.pictures import STYLE, style
from carrierfloor.cli.study_figures import figures_of
from carrierfloor.cli.study_pictures import gain_figure, intelligibility_figure, price_figure
from carrierfloor.cli.study_plots import gain_plot, intelligibility_plot, price_plot

Row = Mapping[str, Any]
AT_50 = "power_gain_at_50_db"
NO_DRIVE = (None,)
SAVED_DPI = STYLE["savefig.dpi"]
LONG = "a folder with a rather long name/and another below it"


def rows_of(
    voices: Sequence[str], drives: Sequence[float | None], gain_db: float = 10.0
) -> Iterator[Row]:
    """Yield rows of one phrase on two rigs at three ratios; each voice gains 0.3 dB more."""
    everything = [("unprocessed", None), *product(voices, drives)]
    for rig in ("plate-modulated", f"{LONG}/my rig.toml"):
        for number, (voice, drive_db) in enumerate(everything):
            gain = (gain_db + 0.3 * number + (drive_db or 0.0)) if number else 0.0
            for ratio_db in (0.0, 6.0, 12.0):
                yield {
                    "voice": voice, "drive_db": drive_db, "rig": rig, "phrase": "phrase.wav",
                    "key": f"{number} {rig}", "carrier_to_noise_db": ratio_db,
                    "intelligibility": 0.123 + ratio_db / 50.0, "power_gain_at_50_db": gain,
                    "power_gain_at_70_db": gain, "needed_at_50_db": 8.0, "needed_at_70_db": 16.0,
                    "density_pct": 28.16, "score_without_noise": 0.95 - 0.002 * number,
                    "clipper_removed_db": 0.84, "negative_peak_pct": 95.0,
                    "positive_peak_pct": 125.0, "cutoffs": 0,
                    "emission_dbc": -112.5 + 0.1 * number,
                }  # fmt: skip


def twice(rows: Sequence[Row]) -> list[Row]:
    """Return rows of two phrases that are alike."""
    return [*rows, *({**row, "phrase": "b.wav", "key": f"{row['key']} b"} for row in rows)]


def printed(rows: Sequence[Row], width: int) -> str:
    said = io.StringIO()
    study_summary.show(rows, Console(file=said, width=width))
    return said.getvalue()


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_summary_stands_whole_in_a_narrow_terminal(width: int) -> None:
    """Every figure of every setting, in rows that begin with its name, and no line is too long."""
    rows = twice(list(rows_of(["everyday", "crowded-band"], [6.0, 12.0])))
    text = printed(rows, width)
    assert "\u2026" not in text
    assert max(map(len, text.splitlines())) <= width
    for one in ("unprocessed", "everyday 6 dB", "everyday 12 dB", "crowded-band 6"):
        lines = [line for line in text.splitlines() if line.startswith(f"{one} ")]
        figures = " ".join(line.removeprefix(one) for line in lines)
        for figure in ("0.12 0.12", "0.24 0.24", "0.36 0.36", "28.2 28.2", " 95.0", " 125 "):
            assert figures.count(figure) == 2  # once for each rig


def test_what_fits_is_one_table() -> None:
    """The summary in README has 80 columns."""
    text = printed(twice(list(rows_of(["everyday", "dense"], [6.0, 12.0, 18.0]))), 80)
    assert text.count("In noise") == text.count("At the antenna") == 2  # one for each rig


def test_of_one_phrase_each_figure_stands_once() -> None:
    """Its mean is its worst; of two phrases both are told, and what they are."""
    rows = [row for row in rows_of(["everyday"], [6.0]) if row["rig"] == "plate-modulated"]
    alone = printed(rows, 120)
    assert "0.12   0.24    0.36" in alone
    assert "mean" not in alone
    two = printed(twice(rows), 120)
    assert "0.12 0.12   0.24 0.24   0.36 0.36" in two
    assert "Two numbers: mean and worst of 2 phrases." in two


def test_nothing_gained_has_no_minus() -> None:
    text = printed(list(rows_of(["bypass"], NO_DRIVE, gain_db=-0.304)), 120)
    assert "+0.0   " in text
    assert "-0.0" not in text


def drawn(figure: Figure) -> Any:
    """Draw a figure and return what knows the sizes in it."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()  # type: ignore[no-untyped-call]
    return canvas.get_renderer()  # type: ignore[no-untyped-call]


def test_every_voice_looks_different() -> None:
    """Nine of them, in colour, mark and line taken together."""
    voices = [f"voice {number}" for number in range(9)]
    settings = [one for one in figures_of(list(rows_of(voices, [6.0]))) if one.is_processed]
    ax = Figure().subplots()
    price_plot(settings, AT_50, lambda one: one.score_without_noise.mean, ax=ax)
    looks = {(line.get_color(), line.get_marker(), line.get_linestyle()) for line in ax.lines}
    assert len(looks) == len(voices)


def test_a_gain_without_drive_stands_off_the_axis() -> None:
    """Where no voice has a drive there is no axis of drives, and 0.004 dB look like nothing."""
    settings = figures_of(list(rows_of(["bypass"], NO_DRIVE, gain_db=-0.296)))
    processed = [one for one in settings if one.is_processed]
    ax = Figure().subplots()
    gain_plot(processed, AT_50, ax=ax)
    low_db, high_db = ax.get_ylim()
    assert low_db < 0.004 - 0.4
    assert high_db > 0.004 + 0.4
    assert list(ax.get_xticks()) == []
    assert len(ax.lines) == 2  # mean and worst


@pytest.mark.parametrize(("drives", "named"), [(5, 5), (6, 2)])
def test_of_many_drives_only_the_ends_are_named(drives: int, named: int) -> None:
    """Five voices with five drives stay readable with all; with more, the ends tell enough."""
    voices = ["everyday", "dense", "wide", "gentle", "crowded-band"]
    driven_db = [3.0 * number for number in range(drives)]
    settings = [one for one in figures_of(list(rows_of(voices, driven_db))) if one.is_processed]
    here = [one for one in settings if one.rig == "plate-modulated"]
    labels = price_plot(here, AT_50, lambda one: one.emission_dbc, ax=Figure().subplots())
    words = [label.words for label in labels]
    assert len(words) == named * len(voices)
    assert words[:1] + words[-1:] == ["0", f"{driven_db[-1]:g}"]


@pytest.mark.parametrize(("voices", "drives"), [(2, 1), (2, 3), (5, 5)])
def test_no_drive_stands_over_another_or_over_a_mark(voices: int, drives: int) -> None:
    """2 to 25 settings whose points are heaped: voices that gain and cost nearly the same."""
    rows = list(rows_of([f"voice {n}" for n in range(voices)], [2.0 * n for n in range(drives)]))
    with style():
        figure = price_figure(figures_of([{**row, **price_of(row)} for row in rows]))
        figure.set_dpi(SAVED_DPI)
        renderer = drawn(figure)
    for ax in figure.axes:
        boxes = [Text.get_window_extent(text, renderer) for text in ax.texts]  # without leaders
        assert len(boxes) == voices * drives
        assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))
        places = [xy for line in ax.lines for xy in ax.transData.transform(line.get_xydata())]
        assert len(places) == len(boxes)
        assert not any(box.contains(*place) for box in boxes for place in places)
        assert all(ax.bbox.fully_containsx(box.x0) for box in boxes)
        assert all(ax.bbox.fully_containsy(box.y1) for box in boxes)


@pytest.mark.parametrize("score", [0.5, 0.995])
def test_names_at_the_ends_of_lines_stand_around_them(score: float) -> None:
    """Nine lines that end in one place: their names are apart, in its middle, and inside."""
    rows = list(rows_of(["everyday"], [float(drive_db) for drive_db in range(8)]))
    settings = figures_of([{**row, "intelligibility": score} for row in rows])
    here = [one for one in settings if one.rig == "plate-modulated"]
    figure = Figure(figsize=(5.0, 3.8), layout="constrained")
    ax = figure.subplots()
    intelligibility_plot(here[1:], here[:1], ax=ax)
    renderer = drawn(figure)
    boxes = sorted((box.y0, box.y1) for box in (t.get_window_extent(renderer) for t in ax.texts))
    assert len(boxes) == 9
    assert all(top < bottom for (_, top), (bottom, _) in pairwise(boxes))
    heights = [text.xy[1] for text in ax.texts if isinstance(text, Annotation)]
    assert max(heights) <= 1.0
    if score == 0.5:
        assert np.mean(heights) == pytest.approx(score)


def price_of(row: Row) -> Row:
    """Let a setting cost what its drive does; two voices differ by hundredths."""
    drive_db = row["drive_db"] or 0.0
    voice = float(row["key"].split()[0]) / 200.0
    return {
        "power_gain_at_50_db": drive_db + voice,
        "score_without_noise": 0.95 - 0.01 * drive_db + 0.01 * voice,
        "emission_dbc": -112.0 + drive_db + voice,
    }


@pytest.mark.parametrize("draw", [gain_figure, price_figure, intelligibility_figure])
def test_nothing_written_lies_over_its_neighbour(draw: Any) -> None:
    """Names of files that are long, and numbers that are: beside each other they stand apart."""
    with style():
        figure = draw(figures_of(list(rows_of([f"{LONG}/my voice.toml", "everyday"], [6.0]))))
        renderer = drawn(figure)
    for row in rows_of_panels(figure):
        assert_apart([title for ax in row for title in titles_of(ax)], renderer)
        for ax in row:
            assert_apart(numbers_below(ax), renderer)
    for legend in figure.legends:
        assert legend.get_window_extent(renderer).x0 >= 0


def titles_of(ax: Axes) -> list[Text]:
    """Return all that is written above a panel; matplotlib keeps titles of three sides."""
    texts = [one for one in ax.get_children() if isinstance(one, Text) and one.get_text()]
    return [one for one in texts if one not in ax.texts]


def numbers_below(ax: Axes) -> list[Text]:
    """Return the numbers of the horizontal axis that are drawn; others lie beyond its ends."""
    low, high = sorted(ax.get_xlim())
    labels = [label for label in ax.get_xticklabels() if label.get_text()]
    return [label for label in labels if low <= label.get_position()[0] <= high]


def rows_of_panels(figure: Figure) -> list[list[Axes]]:
    columns = figure.axes[0].get_subplotspec().get_gridspec().ncols  # type: ignore[union-attr]
    return [figure.axes[at : at + columns] for at in range(0, len(figure.axes), columns)]


def assert_apart(texts: Sequence[Text], renderer: Any) -> None:
    boxes = [text.get_window_extent(renderer) for text in texts if text.get_text()]
    ends = sorted((box.x0, box.x1) for box in boxes)
    assert all(end < begin for (_, end), (begin, _) in pairwise(ends)), boxes
    assert all(end <= renderer.width for _, end in ends), boxes
