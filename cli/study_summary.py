"""The summary of a study on the screen: mean and worst of each setting over its phrases."""

from collections.abc import Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from carrierfloor.cli import screen
from carrierfloor.cli.screen import BAD, GOOD, QUIET
from carrierfloor.cli.study_columns import GAINS
from carrierfloor.cli.study_figures import Gain, Rows, SettingFigures, figures_of

CUT_OFF_PCT = 100.0
NARROWEST = 8  # columns of a terminal for a name; it folds


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
        for table in (_in_noise(here), _at_the_antenna(here)):
            console.print(table)
            console.print()
    count = max(one.phrases for one in settings)
    words = [
        f"Two numbers: mean and worst of {count} phrase{'s' if count != 1 else ''}.",
        "C/N: carrier over noise in 10 kHz of RF. 5 kHz+: emission beyond that.",
    ]
    if any(gain.never for one in settings for gain in one.gains.values()):
        words.append("Never: some phrase does not reach that score; the mean is of the others.")
    for line in words:
        console.print(Text(line, style=QUIET))


def _table(first: str, *titles: str) -> Table:
    table = screen.table()
    table.add_column(first, overflow="fold", min_width=NARROWEST)
    for title in titles:
        table.add_column(title, justify="right", no_wrap=True)
    return table


def _name(one: SettingFigures) -> str:
    return one.voice if one.drive_db is None else f"{one.voice} {one.drive_db:g} dB"


def _in_noise(settings: Sequence[SettingFigures]) -> Table:
    ratios_db = list(dict.fromkeys(r for one in settings for r in one.intelligibility))
    titles = [f"C/N\n{ratio_db:g} dB" for ratio_db in ratios_db]
    table = _table("In noise", "Power gain\nat 0.5, dB", "Power gain\nat 0.7, dB", *titles)
    for one in settings:
        gains = [_gain(one.gains[column]) if one.is_processed else "" for column in GAINS]
        found = [one.intelligibility.get(ratio_db) for ratio_db in ratios_db]
        scores = [f"{s.mean:.2f} {s.worst:.2f}" if s else "" for s in found]
        table.add_row(_name(one), *gains, *scores)
    return table


def _gain(gain: Gain) -> str:
    if gain.spread is None:
        return "never" if gain.never else "-"
    worst = "never" if gain.never else f"{gain.spread.worst:+.1f}"
    return f"{gain.spread.mean:+.1f} {worst}"


def _at_the_antenna(settings: Sequence[SettingFigures]) -> Table:
    titles = ("Density\n%", "Trough\n%", "Crest\n%", "Cut-\noffs", "5 kHz+\ndBc", "Clip-\nper dB")
    table = _table("At the antenna", *titles, "Without\nnoise")
    for one in settings:
        removed, clean = one.clipper_removed_db, one.score_without_noise
        table.add_row(
            _name(one),
            f"{one.density_pct.mean:.1f} {one.density_pct.worst:.1f}",
            Text(
                f"{one.negative_peak_pct:.1f}",
                style=BAD if one.negative_peak_pct >= CUT_OFF_PCT else GOOD,
            ),
            f"{one.positive_peak_pct:.0f}",
            Text(str(one.cutoffs), style=BAD if one.cutoffs else GOOD),
            f"{one.emission_dbc:.0f}",
            "" if removed is None else f"{removed:.1f}",
            f"{clean.mean:.2f} {clean.worst:.2f}",
        )
    return table
