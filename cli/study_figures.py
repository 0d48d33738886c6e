"""What the rows of a study say about each setting: mean and worst over its phrases."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from carrierfloor.cli.study_columns import GAINS
from carrierfloor.cli.study_grid import UNPROCESSED

Rows = Sequence[Mapping[str, Any]]


@dataclass(frozen=True)
class Spread:
    """A figure over the phrases of a setting."""

    mean: float
    worst: float


@dataclass(frozen=True)
class Gain:
    """Effective power gain over the phrases that can be understood so well unprocessed."""

    spread: Spread | None  # of those that reach the score; None if none does
    never: int  # phrases that do not reach the score with this setting


@dataclass(frozen=True)
class SettingFigures:
    """One setting over all its phrases."""

    voice: str
    drive_db: float | None
    rig: str
    phrases: int
    intelligibility: Mapping[float, Spread]  # by carrier-to-noise ratio in dB
    gains: Mapping[str, Gain]  # by column
    score_without_noise: Spread
    density_pct: Spread
    clipper_removed_db: float | None  # mean
    negative_peak_pct: float  # the deepest
    positive_peak_pct: float  # the highest
    cutoffs: int  # in all phrases
    emission_dbc: float  # the highest

    @property
    def is_processed(self) -> bool:
        """Whether it is more than the phrase scaled to the limit."""
        return self.voice != UNPROCESSED


def figures_of(rows: Rows) -> list[SettingFigures]:
    """Return the figures of each setting, in the order of the rows."""
    reach = _understandable(rows)
    groups: dict[tuple[Any, ...], list[Mapping[str, Any]]] = {}
    for row in rows:
        groups.setdefault((row["voice"], row["drive_db"], row["rig"]), []).append(row)
    return [_figures(group, reach) for group in groups.values()]


def _figures(rows: Rows, reach: Mapping[str, set[tuple[str, str]]]) -> SettingFigures:
    phrases = list({row["key"]: row for row in rows}.values())  # a row for each phrase
    removed = [row["clipper_removed_db"] for row in phrases]
    return SettingFigures(
        voice=rows[0]["voice"],
        drive_db=rows[0]["drive_db"],
        rig=rows[0]["rig"],
        phrases=len(phrases),
        intelligibility=dict(_by_ratio(rows)),
        gains={column: _gain(phrases, column, reach[column]) for column in GAINS},
        score_without_noise=_lowest([row["score_without_noise"] for row in phrases]),
        density_pct=_lowest([row["density_pct"] for row in phrases]),
        clipper_removed_db=None if None in removed else sum(removed) / len(removed),
        negative_peak_pct=max(row["negative_peak_pct"] for row in phrases),
        positive_peak_pct=max(row["positive_peak_pct"] for row in phrases),
        cutoffs=sum(row["cutoffs"] for row in phrases),
        emission_dbc=max(row["emission_dbc"] for row in phrases),
    )


def _by_ratio(rows: Rows) -> Iterator[tuple[float, Spread]]:
    scores: dict[float, list[float]] = {}
    for row in rows:
        scores.setdefault(row["carrier_to_noise_db"], []).append(row["intelligibility"])
    for ratio_db, found in scores.items():
        yield ratio_db, _lowest(found)


def _understandable(rows: Rows) -> dict[str, set[tuple[str, str]]]:
    """Return for each gain the phrases and rigs that reach its score unprocessed."""
    return {
        gain: {
            (row["phrase"], row["rig"])
            for row in rows
            if row["voice"] == UNPROCESSED and row[needed] is not None
        }
        for gain, needed in GAINS.items()
    }


def _gain(phrases: Rows, column: str, reach: set[tuple[str, str]]) -> Gain:
    counted = [row[column] for row in phrases if (row["phrase"], row["rig"]) in reach]
    reached = [gain_db for gain_db in counted if gain_db is not None]
    return Gain(_lowest(reached) if reached else None, len(counted) - len(reached))


def _lowest(values: Sequence[float]) -> Spread:
    return Spread(sum(values) / len(values), min(values))
