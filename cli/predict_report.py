"""The report of a prediction, and what each of its keys means."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from carrierfloor.cli.follow import Followed
from carrierfloor.cli.report import Report, finite, input_facts, rig_facts, versions
from carrierfloor.cli.report_keys import INPUT_KEYS, RIG_KEYS
from carrierfloor.dsp import carrier
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.prediction import AntennaReading, worst_of
from carrierfloor.dsp.rig import Rig

BEYOND_HZ = (3750, 5000, 6250, 10_000, 20_000)  # the first three: 1.25 times 3, 4 and 5 kHz
PERCENTILES = (0.1, 1.0, 10.0, 50.0, 90.0, 99.0, 99.9)

# Of several paths, the figure that matters most is reported; all others come from the path with
# the deepest trough.
WORST: dict[str, Callable[[list[Any]], Any]] = {
    "positive_peak_pct": max,
    "cutoffs": max,
    "cutoff_ms": max,
    "cutoff_longest_ms": max,
    "density_pct": min,
    "pep_ratio": max,
    "pep_w": max,
    "peak_plate_v": max,
}

# A number that does not exist, such as the level of silence in dB, is null.
KEYS = {
    "versions": "of carrierfloor, python and the packages that touched the samples",
    **INPUT_KEYS,
    **RIG_KEYS,
    "rig.pep_limit_w": "what the licence allows, as the rig says",
    "antenna": "the worst of the paths; each key below also in paths.path_1, paths.path_2 ...",
    "antenna.path": "name of the path with the deepest trough",
    "antenna.negative_peak_pct": "deepest trough of the envelope; 100 % is carrier cut-off",
    "antenna.negative_peak_s": "when",
    "antenna.residual_carrier_db": "what is left of the envelope there; null at cut-off",
    "antenna.positive_peak_pct": "highest crest of the envelope",
    "antenna.positive_peak_s": "when",
    "antenna.cutoffs": "how often the envelope reached zero",
    "antenna.cutoff_ms": "for how long in all",
    "antenna.cutoff_longest_ms": "the longest of them",
    "antenna.cutoff_times_s": "when each began; the first 1000",
    "antenna.density_pct": "modulation density: rms of m during active speech (ITU-T P.56 on m)",
    "antenna.activity_pct": "share of the time that is active speech (ITU-T P.56 on m)",
    "antenna.rms_pct": "rms of m, pauses included",
    "antenna.pep_ratio": "peak envelope power over carrier power",
    "antenna.pep_w": "peak envelope power; null if the rig does not give its carrier power",
    "antenna.peak_plate_v": "plate voltage at the crest; null if the rig does not give its supply",
    "antenna.power_ratio": "mean power over the power of the unmodulated carrier",
    "antenna.carrier_shift_db": "mean envelope over the unmodulated carrier",
    "antenna.percentiles_pct.below_P_pct": "m that P percent of the time lies below",
    "antenna.occupied_bandwidth_hz": "99 % of the mean power, carrier included (47 CFR 2.202)",
    "antenna.emission_mean_dbc.beyond_F_hz": "mean power beyond F, both sides, below the carrier",
    "antenna.emission_worst_dbc.beyond_F_hz": "the same in the worst 85 ms",
    "pictures": "files drawn",
}


def build(
    followed: Followed, rig: Rig, rig_source: str | None, pictures: tuple[Path, ...]
) -> Report:
    """Return the report of one prediction; its keys are those of ``KEYS``."""
    sound = followed.sound
    paths = [_path(reading, rig) for reading in followed.paths]
    report = {
        "versions": versions(),
        "input": input_facts(sound, followed.channel, followed.nonfinite_samples, followed.peak),
        "rig": {
            **rig_facts(rig, rig_source),
            "pep_limit_w": rig.carrier.pep_limit_w if rig.carrier else None,
        },
        "antenna": _worst(paths, followed.paths),
        "paths": {f"path_{number}": path for number, path in enumerate(paths, 1)},
        "pictures": [str(path) for path in pictures],
    }
    return {group: finite(content) for group, content in report.items()}


def _path(reading: AntennaReading, rig: Rig) -> Report:
    """Return what the antenna sees through one path."""
    m, emission = reading.modulation, reading.emission
    crest = max(0.0, m.positive_peak)
    return {
        "path": reading.path,
        "negative_peak_pct": 100.0 * m.negative_peak,
        "negative_peak_s": m.negative_peak_s,
        "residual_carrier_db": carrier.residual_carrier_db(m.negative_peak),
        "positive_peak_pct": 100.0 * m.positive_peak,
        "positive_peak_s": m.positive_peak_s,
        "cutoffs": m.cutoffs,
        "cutoff_ms": 1000.0 * m.cutoff_total_s,
        "cutoff_longest_ms": 1000.0 * m.cutoff_longest_s,
        "cutoff_times_s": list(m.cutoff_times_s),
        "density_pct": 100.0 * reading.speech.active_rms,
        "activity_pct": 100.0 * reading.speech.activity,
        "rms_pct": 100.0 * m.rms,
        "pep_ratio": m.pep_ratio,
        "pep_w": carrier.pep_w(rig.carrier.power_w, crest) if rig.carrier else None,
        "peak_plate_v": carrier.peak_plate_v(rig.plate.supply_v, crest) if rig.plate else None,
        "power_ratio": m.power_ratio,
        "carrier_shift_db": decibels(m.carrier_ratio),
        "percentiles_pct": {f"below_{p:g}_pct": 100.0 * m.percentile(p) for p in PERCENTILES},
        "occupied_bandwidth_hz": emission.occupied_bandwidth_hz,
        "emission_mean_dbc": {f"beyond_{hz}_hz": emission.beyond_dbc(hz) for hz in BEYOND_HZ},
        "emission_worst_dbc": {
            f"beyond_{hz}_hz": emission.worst_beyond_dbc(hz) for hz in BEYOND_HZ
        },
    }


def _worst(paths: list[Report], readings: tuple[AntennaReading, ...]) -> Report:
    worst = dict(paths[readings.index(worst_of(readings))])
    for key, choose in WORST.items():
        if worst[key] is not None:
            worst[key] = choose([path[key] for path in paths])
    for group in ("emission_mean_dbc", "emission_worst_dbc"):
        worst[group] = {key: max(path[group][key] for path in paths) for key in worst[group]}
    return worst
