"""Steady tones in the report of ``check``: depth, harmonics, intermodulation."""

from typing import Any

from carrierfloor.cli.check_measuring import Measured
from carrierfloor.cli.report import finite
from carrierfloor.dsp.carrier import tone_line_dbc
from carrierfloor.dsp.harmonics import OneTone
from carrierfloor.dsp.intermodulation import TwoTones
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.received_peaks import ToneRun
from carrierfloor.dsp.steady_tones import SteadyRun

KEYS = {
    "tones.runs": "a list of stretches with one or two steady tones, with these keys:",
    "tones.runs.from_s": "where it begins",
    "tones.runs.lasts_s": "how long it is",
    "tones.runs.frequencies_hz": "of the tone or the two",
    "tones.runs.modulation_pct": "of each tone by itself",
    "tones.runs.positive_peak_pct": "highest crest, averaged over all periods; null for two tones",
    "tones.runs.negative_peak_pct": "deepest trough, likewise",
    "tones.runs.wanted_negative_peak_pct": "where the modulation aims if the carrier is off",
    "tones.runs.off_share_pct": "of each period in which the carrier is off",
    "tones.runs.carrier_shift_db": "mean envelope over the reference",
    "tones.runs.thd_pct": "harmonics over the fundamental; null if none was in reach",
    "tones.runs.sidebands_dbc": "of one tone: level of each sideband at 1, 2, 3 ... times its "
    "frequency, below the carrier",
    "tones.runs.third_order_db": "two tones: the stronger product of third order, below the tones",
    "tones.runs.difference_second_pct": "two equal tones: IEC 60268-3, 14.12.8",
    "tones.runs.difference_third_pct": "the same of third order; products at negative frequencies "
    "are folded in",
    "tones.runs.modulation_second_pct": "tones of 4 to 1: IEC 60268-3, 14.12.7",
    "tones.runs.modulation_third_pct": "the same of third order",
    "tones.why_none": "why no steady tone was found; empty if there is one",
    "tones.left_out": "runs beyond the first 32",
}
MOST_SIDEBANDS = 12


def tones_report(measured: Measured) -> dict[str, Any]:
    """Return the group ``tones``."""
    steady = measured.reading.steady
    averaged = {run.start_s: run for run in measured.tones}
    return {
        "runs": [finite(_run(run, averaged.get(run.start_s))) for run in steady.runs],
        "why_none": steady.why,
        "left_out": steady.left_out,
    }


def _run(run: SteadyRun, averaged: ToneRun | None) -> dict[str, Any]:
    keys = [key.split(".")[2] for key in KEYS if key.startswith("tones.runs.")]
    common = {
        **dict.fromkeys(keys),
        "from_s": run.start_s,
        "lasts_s": run.duration_s,
        "carrier_shift_db": decibels(1.0 + run.reading.mean),
    }
    if isinstance(run.reading, TwoTones):
        return {**common, **_two(run.reading)}
    return {**common, **_one(run.reading), **(_averaged(averaged) if averaged else {})}


def _one(tone: OneTone) -> dict[str, Any]:
    return {
        "frequencies_hz": [tone.frequency_hz],
        "modulation_pct": [100.0 * tone.amplitude],
        "thd_pct": None if tone.thd is None else 100.0 * tone.thd,
    }


def _averaged(run: ToneRun) -> dict[str, Any]:
    envelope = run.envelope
    lines = [float(abs(line)) for line in envelope.lines[1 : MOST_SIDEBANDS + 1]]
    return {
        "positive_peak_pct": 100.0 * envelope.positive_peak,
        "negative_peak_pct": 100.0 * envelope.negative_peak,
        "wanted_negative_peak_pct": 100.0 * envelope.wanted_depth,
        "off_share_pct": 100.0 * envelope.off_share,
        "carrier_shift_db": decibels(1.0 + float(envelope.lines[0].real)),
        "sidebands_dbc": [tone_line_dbc(max(line, 1e-9)) for line in lines],
    }


def _two(tones: TwoTones) -> dict[str, Any]:
    figures = {
        "difference_second_pct": tones.difference_second,
        "difference_third_pct": tones.difference_third,
        "modulation_second_pct": tones.modulation_second,
        "modulation_third_pct": tones.modulation_third,
    }
    suits = {
        key: part for key, part in figures.items() if tones.suits and key.startswith(tones.suits)
    }
    return {
        "frequencies_hz": [tones.low_hz, tones.high_hz],
        "modulation_pct": [100.0 * tones.low, 100.0 * tones.high],
        "third_order_db": tones.third_order_db,
        **{key: None if part is None else 100.0 * part for key, part in suits.items()},
    }
