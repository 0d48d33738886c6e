"""The work on one cell of a study, in whatever process or machine it runs."""

from collections.abc import Mapping
from typing import Any

from carrierfloor.cli.job import Progress
from carrierfloor.cli.report import finite
from carrierfloor.cli.study_grid import Cell
from carrierfloor.dsp.intelligibility_trial import Trial, try_setting

Row = Mapping[str, Any]  # the columns of cli/study_columns.py

SCORE_DIGITS, DIGITS = 5, 3  # what is kept behind the point: more than anyone can measure


def rows_of(cell: Cell, progress: Progress) -> list[Row]:
    """Try a setting on a phrase; return what was measured, a row for each ratio.

    Raises
    ------
    CarrierfloorError
        If the setting does not fit the phrase.
    """
    trial = try_setting(
        cell.phrase.samples, cell.setting.voice, cell.setting.rig, cell.ratios_db, progress
    )
    shared = _shared(trial)
    return [
        {
            "key": cell.key,
            "carrier_to_noise_db": ratio_db,
            "intelligibility": round(score, SCORE_DIGITS),
            **shared,
        }
        for ratio_db, score in trial.scores.items()
    ]


def _shared(trial: Trial) -> Row:
    """Return what does not hang on the noise."""
    measured: dict[str, float | None] = {
        "density_pct": 100.0 * trial.density,
        "clipper_removed_db": trial.clipper_removed_db,
        "negative_peak_pct": 100.0 * trial.negative_peak,
        "positive_peak_pct": 100.0 * trial.positive_peak,
        "emission_dbc": trial.emission_dbc,
        "raised_db": trial.raised_db,
        **{f"needed_at_{100 * s:.0f}_db": cn_db for s, cn_db in trial.cn_needed_db.items()},
    }
    rounded = {key: value and round(value, DIGITS) for key, value in measured.items()}
    rounded["score_without_noise"] = round(trial.score_without_noise, SCORE_DIGITS)
    return {**finite(rounded), "cutoffs": trial.cutoffs}
