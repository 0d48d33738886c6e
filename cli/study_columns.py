"""The columns of the table of a study, with their meaning; units are in the names.

How far the sound was bent is told by two figures, the score without noise and what the clipper
took off.  A ratio of signal to distortion is none of them: over a whole chain it counts gains that
move and the phase of filters as if they were distortion.
"""

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column."""

    name: str
    kind: type  # str, float or int
    meaning: str


COLUMNS = (
    Column(
        "voice", str, "as given; unprocessed: low-passed to 5 kHz, scaled to the limit, no more"
    ),
    Column("drive_db", float, "gain ahead of the clipper; empty without a drive stage"),
    Column("rig", str, "as given"),
    Column("phrase", str, "its file, as given"),
    Column("carrier_to_noise_db", float, "carrier over white noise in 10 kHz of RF"),
    Column(
        "intelligibility",
        float,
        "ESTOI under that noise, 0 to 1, of what a receiver with 5 kHz of audio hears when the "
        "deepest trough lies at the rig's limit; through the rig's first path",
    ),
    Column(
        "power_gain_at_50_db",
        float,
        "effective power gain at a score of 0.5: how much less carrier it takes than unprocessed; "
        "empty if one of the two never gets there",
    ),
    Column("power_gain_at_70_db", float, "the same at a score of 0.7"),
    Column("needed_at_50_db", float, "carrier-to-noise ratio that gives a score of 0.5"),
    Column("needed_at_70_db", float, "carrier-to-noise ratio that gives a score of 0.7"),
    Column("density_pct", float, "rms of m in active speech (ITU-T P.56), lowest of the paths"),
    Column(
        "score_without_noise",
        float,
        "ESTOI without noise: how far the spectrum was left as it was; it calls heavy clipping "
        "worse than listeners do",
    ),
    Column("clipper_removed_db", float, "power that the clipper took off; empty without a clipper"),
    Column("negative_peak_pct", float, "deepest trough as sent, worst of the paths"),
    Column("positive_peak_pct", float, "highest crest as sent, worst of the paths"),
    Column("cutoffs", int, "how often the carrier was cut off, worst of the paths"),
    Column(
        "emission_dbc",
        float,
        "mean power beyond 5 kHz from the carrier, both sides, as sent, worst of the paths",
    ),
    Column("raised_db", float, "how much had to be added to bring the trough to the limit"),
    Column("key", str, "digest of setting, samples and version; tells whose row it is"),
    Column("version", str, "of carrierfloor, and a digest of the code that measured"),
)
KEYS = {column.name: column.meaning for column in COLUMNS}
GAINS = {"power_gain_at_50_db": "needed_at_50_db", "power_gain_at_70_db": "needed_at_70_db"}
