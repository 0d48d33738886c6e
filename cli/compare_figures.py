"""The figures that stand beside a version at each listening point."""

import math
from collections.abc import Mapping, Sequence

from carrierfloor.cli.compare_content import Figure, Track
from carrierfloor.cli.compare_versions import Rendered
from carrierfloor.cli.report import BEYOND_BAND
from carrierfloor.dsp.carrier import pep_w
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

NOTHING = "-"  # where a version has no such figure
FULL_MODULATION = "100 % modulation"  # what counts as full scale on the air
USUAL_BEYOND_HZ = 5000.0  # from the carrier, where no version has a voice with a low-pass


def figures(
    version: Rendered, tracks: Mapping[str, Track], beyond_hz: float
) -> dict[str, list[Figure]]:
    """Return the figures of a version, by listening point.

    Parameters
    ----------
    version : Rendered
        What was measured.
    tracks : mapping of str to Track
        Its sound at the loudness of the others, by listening point.
    beyond_hz : float
        From where on emission counts; see :func:`beyond_hz_of`.
    """
    return {
        "card": [*_at_the_card(version), *_loudness(tracks["card"], "the sound card's")],
        "antenna": [
            *_at_the_antenna(version, beyond_hz),
            *_loudness(tracks["antenna"], FULL_MODULATION),
        ],
        "receiver": [
            *_in_the_receiver(version),
            *_loudness(tracks["receiver"], FULL_MODULATION),
        ],
    }


def beyond_hz_of(versions: Sequence[Rendered]) -> float:
    """Return one offset from the carrier for all: beyond the band of the widest voice."""
    widest = [version.low_pass_hz for version in versions if version.low_pass_hz]
    return BEYOND_BAND * max(widest) if widest else USUAL_BEYOND_HZ


def _at_the_card(version: Rendered) -> list[Figure]:
    meters = version.chain.meters if version.chain else {}
    return [
        _decibels("Peak", decibels(version.level.peak), "dBFS", "highest sample; 0 is full scale"),
        _decibels(
            "Speech", version.level.speech.active_db, "dBFS", "level while somebody speaks (P.56)"
        ),
        _decibels(
            "Clipper removed",
            meters.get("clipper.removed_db"),
            "dB",
            "how much of the level went in the clipper",
        ),
        _decibels(
            "Limiter, deepest",
            _negative(meters.get("limiter.gain_reduction_max_db")),
            "dB",
            "strongest gain of the limiter",
        ),
        Figure(
            name="Delay taken out",
            value=f"{_delay_ms(version):.1f}",
            unit="ms",
            help="of the chain, or of the file against the phrase",
        ),
    ]


def _at_the_antenna(version: Rendered, beyond_hz: float) -> list[Figure]:
    modulation, limits = version.antenna.modulation, version.rig.modulation
    found = [
        _percent(
            "Negative peak",
            modulation.negative_peak,
            f"deepest trough; limit {limits.negative_limit_pct:g} %, 100 % is carrier cut-off",
        ),
        _percent(
            "Positive peak",
            modulation.positive_peak,
            f"highest crest; limit {limits.positive_limit_pct:g} %",
        ),
        Figure(
            name="Carrier cut-offs",
            value=str(modulation.cutoffs),
            help="how often the carrier went off; each splatters",
        ),
        _percent(
            "Modulation density",
            version.antenna.speech.active_rms,
            "rms of the modulation while somebody speaks",
        ),
        _decibels(
            f"Beyond {beyond_hz / 1000:g} kHz",
            version.antenna.emission.beyond_dbc(beyond_hz),
            "dBc",
            "mean power further from the carrier, both sides",
        ),
    ]
    return [*found, _peak_power(version.rig, modulation.positive_peak)]


def _peak_power(rig: Rig, crest: float) -> Figure:
    meaning = "peak envelope power"
    if rig.carrier is None:  # the row stands there all the same, beside rigs that have one
        return Figure(name="Peak power", value=NOTHING, help=f"{meaning}; the rig has no [carrier]")
    allowed_w = rig.carrier.pep_limit_w
    return Figure(
        name="Peak power",
        value=f"{pep_w(rig.carrier.power_w, crest):.0f}",
        unit="W",
        help=meaning + (f"; {allowed_w:g} W allowed" if allowed_w else ""),
    )


def _in_the_receiver(version: Rendered) -> list[Figure]:
    return [
        Figure(
            name="Intelligibility",
            value=f"{version.score:.2f}",
            help="ESTOI under this noise, 0 to 1; no percentage of words",
        )
    ]


def _loudness(track: Track, full_scale: str) -> list[Figure]:
    return [
        _decibels(
            "Loudness before",
            track.lu_before,
            "LUFS",
            f"before all were brought to one (ITU-R BS.1770); full scale is {full_scale}",
        ),
        _decibels(
            "Gain to match",
            track.gain_db,
            "dB",
            "down to the loudness of the quietest; nothing is limited for it",
        ),
    ]


def _delay_ms(version: Rendered) -> float:
    samples = version.chain.latency_samples if version.chain else 0
    if version.file is not None:
        samples = version.file.lag_samples
    return 1000.0 * samples / SAMPLE_RATE_HZ


def _percent(name: str, part: float, meaning: str) -> Figure:
    return Figure(name=name, value=f"{100.0 * part:.1f}", unit="%", help=meaning)


def _decibels(name: str, level_db: float | None, unit: str, meaning: str) -> Figure:
    if level_db is None or not math.isfinite(level_db):
        return Figure(name=name, value=NOTHING, help=meaning)
    # Adding 0 makes of -0.0 a 0.0.
    return Figure(name=name, value=f"{round(level_db, 1) + 0.0:.1f}", unit=unit, help=meaning)


def _negative(reduction_db: float | None) -> float | None:
    return None if reduction_db is None else -reduction_db
