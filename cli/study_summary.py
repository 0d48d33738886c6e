"""The summary of a study on the screen: mean and worst of each setting over its phrases."""

from collections.abc import Iterator, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.screen import BAD, GOOD, QUIET
from carrierfloor.cli.study_columns import GAINS
from carrierfloor.cli.study_figures import Rows, SettingFigures, Spread, figures_of

CUT_OFF_PCT = 100.0
NARROWEST = 14  # characters for a name, which folds, before other columns go below each other

Column = tuple[str, Sequence[str | Text]]  # a title and a cell for each setting


def show(rows: Rows, console: Console) -> None:
    """Print, for each rig, what the settings gain in noise and what they do at its antenna."""
    settings = figures_of(rows)
    if not settings:
        return
    rigs = list(dict.fromkeys(one.rig for one in settings))
    for rig in rigs:
        if len(rigs) > 1:
            console.print(Text(rig, style="bold"))
        here = [one for one in settings if one.rig == rig]
        for first, columns in (
            ("In noise", _in_noise(here)),
            ("At the antenna", _at_the_antenna(here)),
        ):
            for table in _tables(first, here, list(columns), console.width):
                console.print(table)
                console.print()
    count = max(one.phrases for one in settings)
    words = [f"Two numbers: mean and worst of {count} phrases."] if count > 1 else []
    words += [
        "C/N: carrier over noise in 10 kHz of RF. 5 kHz+: emission beyond that.",
        "Clip: what the clipper took off.",
    ]
    if any(gain.never for one in settings for gain in one.gains.values()):
        words.append("Never: some phrase does not reach that score; the mean is of the others.")
    for line in words:
        console.print(Text(line, style=QUIET))


def _tables(
    first: str, settings: Sequence[SettingFigures], columns: Sequence[Column], room: int
) -> Iterator[Table]:
    """Yield one table, or several with the names repeated where the terminal is too narrow."""
    names = [_name(one) for one in settings]
    beside = room - min(max(map(len, [first, *names])), NARROWEST)
    for group in screen.side_by_side(columns, _width, beside):
        table = screen.table()
        table.add_column(first, overflow="fold")
        for title, _ in group:
            table.add_column(title, justify="right", no_wrap=True)
        for row in zip(names, *(cells for _, cells in group), strict=True):
            table.add_row(*row)
        yield table


def _width(column: Column) -> int:
    title, cells = column
    return max(map(len, [*title.splitlines(), *cells]))


def _name(one: SettingFigures) -> str:
    return one.voice if one.drive_db is None else f"{one.voice} {one.drive_db:g} dB"


def _in_noise(settings: Sequence[SettingFigures]) -> Iterator[Column]:
    for score, column in zip(("0.5", "0.7"), GAINS, strict=True):
        gains = [_gain(one, column) if one.is_processed else "" for one in settings]
        yield f"Power gain\nat {score}, dB", gains
    for ratio_db in dict.fromkeys(r for one in settings for r in one.intelligibility):
        scores = [_spread(one, one.intelligibility.get(ratio_db), 2) for one in settings]
        yield f"C/N\n{ratio_db:g} dB", scores


def _gain(one: SettingFigures, column: str) -> str:
    gain = one.gains[column]
    if gain.spread is None:
        return "never" if gain.never else "-"
    worst = "never" if gain.never else _signed(gain.spread.worst)
    return _both(one, _signed(gain.spread.mean), worst)


def _spread(one: SettingFigures, spread: Spread | None, digits: int) -> str:
    if spread is None:
        return ""
    return _both(one, f"{spread.mean:.{digits}f}", f"{spread.worst:.{digits}f}")


def _both(one: SettingFigures, mean: str, worst: str) -> str:
    """Return mean and worst; of a single phrase they are the same."""
    return mean if one.phrases == 1 else f"{mean} {worst}"


def _signed(gain_db: float) -> str:
    """Return a gain with its sign, never -0.0."""
    return f"{round(gain_db, 1) + 0.0:+.1f}"


def _at_the_antenna(settings: Sequence[SettingFigures]) -> Iterator[Column]:
    yield "Density\n%", [_spread(one, one.density_pct, 1) for one in settings]
    yield "Trough\n%", [_trough(one.negative_peak_pct) for one in settings]
    yield "Crest\n%", [f"{one.positive_peak_pct:.0f}" for one in settings]
    yield "Cut-\noffs", [Text(str(one.cutoffs), BAD if one.cutoffs else GOOD) for one in settings]
    yield "5 kHz+\ndBc", [f"{one.emission_dbc:.0f}" for one in settings]
    removed = [one.clipper_removed_db for one in settings]
    yield "Clip\ndB", ["" if level_db is None else f"{level_db:.1f}" for level_db in removed]
    yield "Without\nnoise", [_spread(one, one.score_without_noise, 2) for one in settings]


def _trough(peak_pct: float) -> Text:
    return Text(f"{peak_pct:.1f}", style=BAD if peak_pct >= CUT_OFF_PCT else GOOD)
