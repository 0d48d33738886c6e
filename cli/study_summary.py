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


def show(rows: Rows, console: Console) -> None:
    """Print what the settings gain in noise, and what they do at the antenna."""
    settings = figures_of(rows)
    if not settings:
        return
    console.print(_in_noise(settings))
    console.print()
    console.print(_at_the_antenna(settings))
    console.print()
    count = max(one.phrases for one in settings)
    phrases = f"{count} phrase{'s' if count != 1 else ''}"
    words = f"Mean, worst of {phrases}. C/N: carrier over noise in 10 kHz of RF."
    console.print(Text(words, style=QUIET))


def _table(settings: Sequence[SettingFigures], first: str, *titles: str) -> Table:
    table = screen.table(first)
    table.columns[0].overflow = "fold"
    table.add_column("Drive", justify="right", no_wrap=True)
    if _several_rigs(settings):
        table.add_column("Rig", overflow="fold")
    for title in titles:
        table.add_column(title, justify="right", no_wrap=True)
    return table


def _heads(one: SettingFigures, settings: Sequence[SettingFigures]) -> list[str]:
    drive = "" if one.drive_db is None else f"{one.drive_db:g} dB"
    return [one.voice, drive, *([one.rig] if _several_rigs(settings) else [])]


def _several_rigs(settings: Sequence[SettingFigures]) -> bool:
    return len({one.rig for one in settings}) > 1


def _in_noise(settings: Sequence[SettingFigures]) -> Table:
    ratios_db = list(dict.fromkeys(r for one in settings for r in one.intelligibility))
    titles = [f"At C/N\n{ratio_db:g} dB" for ratio_db in ratios_db]
    table = _table(settings, "In noise", "Power gain\nat 0.5", "Power gain\nat 0.7", *titles)
    for one in settings:
        gains = [_gain(one.gains[column]) if one.is_processed else "" for column in GAINS]
        found = [one.intelligibility.get(ratio_db) for ratio_db in ratios_db]
        scores = [f"{s.mean:.2f}, {s.worst:.2f}" if s else "" for s in found]
        table.add_row(*_heads(one, settings), *gains, *scores)
    return table


def _gain(gain: Gain) -> str:
    if gain.spread is None:
        return "never" if gain.never else "-"
    worst = f"never ({gain.never})" if gain.never else f"{gain.spread.worst:+.1f}"
    return f"{gain.spread.mean:+.1f}, {worst} dB"


def _at_the_antenna(settings: Sequence[SettingFigures]) -> Table:
    titles = ("Density", "Trough", "Crest", "Cut-\noffs", "Beyond\n5 kHz", "Clipped\naway")
    table = _table(settings, "At the antenna", *titles, "Without\nnoise")
    for one in settings:
        removed, clean = one.clipper_removed_db, one.score_without_noise
        table.add_row(
            *_heads(one, settings),
            f"{one.density_pct.mean:.1f}, {one.density_pct.worst:.1f} %",
            Text(
                f"{one.negative_peak_pct:.1f} %",
                style=BAD if one.negative_peak_pct >= CUT_OFF_PCT else GOOD,
            ),
            f"{one.positive_peak_pct:.0f} %",
            Text(str(one.cutoffs), style=BAD if one.cutoffs else GOOD),
            f"{one.emission_dbc:.0f} dBc",
            "" if removed is None else f"{removed:.1f} dB",
            f"{clean.mean:.2f}, {clean.worst:.2f}",
        )
    return table
