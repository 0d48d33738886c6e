"""Emission masks: how far below the carrier a transmitter must be, by offset from it.

A mask is a table of a TOML file.  Both sides of the carrier have the same limits.

    name = "..."
    source = "rule, clause"              # where the numbers come from
    status = "own"                       # published, from memory, own
    reference = "carrier"                # or sidebands, see Mask
    resolution_hz = 300.0                # of the analyser; left out: any
    hold = "peak"                        # or mean
    [[segments]]
    from_hz = 10200.0
    to_hz = 20000.0                      # left out: without end
    below_db = 25.0
    below_db_at_end = 35.0               # left out: the same all along
    [[segments]]
    from_hz = 75000.0
    power_db = 43.0                      # power_db + 10 lg(carrier power in watts) ...
    most_db = 80.0                       # ... but no more than this
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask_segment import Segment
from carrierfloor.dsp.settings import (
    check,
    from_table,
    heading,
    refuse_unknown_keys,
    setting,
    tables,
    text,
)
from carrierfloor.dsp.stage import Block


@dataclass(frozen=True, kw_only=True)
class Measured:
    """What a mask is about, and how the emission is measured for it."""

    status: str = setting(
        "own",
        choices=("published", "from memory", "own"),
        effect="how sure its numbers are",
    )
    reference: str = setting(
        "carrier",
        choices=("carrier", "sidebands"),
        effect="0 dB: the unmodulated carrier, or the sidebands' power spread evenly over "
        "necessary_bandwidth_hz",
    )
    necessary_bandwidth_hz: float | None = setting(
        None, unit="Hz", low=100.0, high=1e5, effect="with reference = sidebands"
    )
    resolution_hz: float | None = setting(
        None, unit="Hz", low=1.0, high=1e5, effect="of the analyser; left out: any"
    )
    hold: str = setting("peak", choices=("peak", "mean"), effect="which level is judged")
    hold_s: float = setting(
        0.0, unit="s", low=0.0, high=86_400.0, effect="how long the rule wants it measured"
    )
    axis: str = setting(
        "linear",
        choices=("linear", "logarithmic"),
        effect="over which offset the lines between two values are straight",
    )

    def __post_init__(self) -> None:
        check(self, "mask")
        if (self.reference == "sidebands") != (self.necessary_bandwidth_hz is not None):
            raise SettingError("reference = sidebands and necessary_bandwidth_hz need each other")


@dataclass(frozen=True, kw_only=True)
class Mask:
    """An emission mask.

    Its segments do not overlap and are in order; between and before them there is no limit.
    """

    name: str
    description: str
    source: str
    measured: Measured
    segments: tuple[Segment, ...]

    def limit_db(self, offset_hz: Block, carrier_power_w: float | None = None) -> Block:
        """Return how far below the reference an emission must be.

        Parameters
        ----------
        offset_hz : ndarray, shape (n,)
            From the carrier, either sign.
        carrier_power_w : float, optional
            Some limits depend on it.

        Returns
        -------
        ndarray, shape (n,)
            In dB; NaN where there is no limit, or where it depends on a power that was not given.
            Where two segments meet the stricter one holds.
        """
        away_hz = np.abs(np.asarray(offset_hz, dtype=float))
        limit_db = np.full(len(away_hz), np.nan)
        for segment in self.segments:
            within = (away_hz >= segment.from_hz) & (away_hz <= segment.end_hz)
            here = segment.limit_db(
                away_hz[within], carrier_power_w, self.measured.axis == "logarithmic"
            )
            limit_db[within] = np.fmax(limit_db[within], here)
        return limit_db


def mask_from_table(table: Mapping[str, Any], where: str) -> Mask:
    """Make a mask from the content of its file.

    Parameters
    ----------
    table : mapping
        The parsed TOML.
    where : str
        The file's name, for messages.

    Raises
    ------
    SettingError
        Names file, key, value and what is allowed.
    """
    settings = list(Measured.__dataclass_fields__)
    refuse_unknown_keys(
        table, ["name", "description", "source", *settings, "segments", "points"], where
    )
    name, description = heading(table, where)
    try:
        measured = from_table(Measured, {key: table[key] for key in settings if key in table})
    except SettingError as error:
        raise SettingError(f"{where}: {error}") from None
    return Mask(
        name=name,
        description=description,
        source=text(table, "source", "", where),
        measured=measured,
        segments=_segments(table, measured.axis == "logarithmic", where),
    )


def _segments(table: Mapping[str, Any], logarithmic: bool, where: str) -> tuple[Segment, ...]:
    rows = tables(table, "segments", where)
    points = tables(table, "points", where)
    if bool(rows) == bool(points):
        raise SettingError(f"{where}: a mask needs either [[segments]] or [[points]]")
    if points:
        rows = _between(points, where)
    segments = []
    for number, row in enumerate(rows, 1):
        try:
            segments.append(from_table(Segment, row))
        except SettingError as error:
            what = "point" if points else "segment"
            raise SettingError(f"{where}: {what} {number}: {error}") from None
    for before, after in pairwise(segments):
        if after.from_hz < before.end_hz:
            raise SettingError(
                f"{where}: a segment begins at {after.from_hz:g} Hz, before the end of the one "
                f"ahead of it ({before.end_hz:g} Hz); put them in order without overlap"
            )
    if logarithmic and segments[0].from_hz <= 0.0:
        raise SettingError(f"{where}: from_hz is 0 Hz; with axis = logarithmic it must be above")
    return tuple(segments)


def _between(points: list[Mapping[str, Any]], where: str) -> list[Mapping[str, Any]]:
    """Turn points into the lines between neighbours."""
    if len(points) < 2:
        raise SettingError(f"{where}: a mask of points needs two of them at least")
    for number, point in enumerate(points, 1):
        here = f"{where}: point {number}"
        refuse_unknown_keys(point, ["offset_hz", "below_db"], here)
        for key in ("offset_hz", "below_db"):
            if key not in point:
                raise SettingError(f"{here}: {key} is missing")
    return [
        {
            "from_hz": one["offset_hz"],
            "to_hz": other["offset_hz"],
            "below_db": one["below_db"],
            "below_db_at_end": other["below_db"],
        }
        for one, other in pairwise(points)
    ]
