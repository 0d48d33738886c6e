"""The rig document: what the transmitter is."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import sections_from_list
from carrierfloor.dsp.settings import (
    check,
    from_table,
    heading,
    refuse_unknown_keys,
    setting,
    tables,
    text,
)


@dataclass(frozen=True, kw_only=True)
class Carrier:
    """The unmodulated carrier."""

    power_w: float = setting(unit="W", low=0.001, high=1e6, effect="unmodulated carrier power")
    pep_limit_w: float | None = setting(
        None, unit="W", low=0.001, high=4e6, effect="peak envelope power your licence allows"
    )


@dataclass(frozen=True, kw_only=True)
class Plate:
    """The supply of a plate-modulated final."""

    supply_v: float = setting(unit="V", low=1.0, high=50_000.0, effect="plate supply voltage")
    current_a: float | None = setting(
        None, unit="A", low=0.0001, high=100.0, effect="plate current"
    )


@dataclass(frozen=True, kw_only=True)
class Modulator:
    """The modulator of a plate-modulated final and its transformer."""

    plate_to_plate_ohm: float | None = setting(
        None, unit="ohm", low=10.0, high=1e6, effect="load that the modulator tubes want"
    )
    transformer_inductance_h: float | None = setting(
        None, unit="H", low=0.001, high=1e5, effect="of the winding that feeds the final"
    )


@dataclass(frozen=True, kw_only=True)
class Modulation:
    """How far the envelope may go."""

    negative_limit_pct: float = setting(
        95.0, unit="%", low=50.0, high=99.5, effect="deepest trough allowed at the antenna"
    )
    positive_limit_pct: float = setting(
        125.0, unit="%", low=50.0, high=200.0, effect="highest crest allowed at the antenna"
    )
    negative_margin_pct: float = setting(
        0.0,
        unit="%",
        low=0.0,
        high=20.0,
        effect="kept free under negative_limit_pct for what the path model does not know; "
        "written by measure",
    )
    positive_margin_pct: float = setting(
        0.0,
        unit="%",
        low=0.0,
        high=20.0,
        effect="the same under positive_limit_pct",
    )

    def __post_init__(self) -> None:
        check(self, "modulation")

    @property
    def negative_aim(self) -> float:
        """The deepest trough to aim for: limit minus margin, 1.0 = 100 %."""
        return (self.negative_limit_pct - self.negative_margin_pct) / 100.0

    @property
    def positive_aim(self) -> float:
        """The highest crest to aim for: limit minus margin, 1.0 = 100 %."""
        return (self.positive_limit_pct - self.positive_margin_pct) / 100.0


@dataclass(frozen=True, kw_only=True)
class Level:
    """How the sound card and the transmitter meet."""

    full_modulation_dbfs: float = setting(
        -6.0,
        unit="dBFS",
        low=-40.0,
        high=0.0,
        effect="peak of a 1 kHz tone at the output that makes 100 %",
    )
    polarity: str = setting(
        "normal",
        choices=("normal", "inverted"),
        effect="inverted: a positive sample takes the carrier down",
    )

    @property
    def sample_at_full_modulation(self) -> float:
        """The sample value, with sign, that makes +100 % at 1 kHz."""
        sign = -1.0 if self.polarity == "inverted" else 1.0
        return sign * float(10.0 ** (self.full_modulation_dbfs / 20.0))


@dataclass(frozen=True, kw_only=True)
class Equalise:
    """A filter behind the limiter that makes the response at the antenna flat."""

    enabled: bool = setting(False, effect="whether to equalise the paths")
    lowest_hz: float = setting(
        50.0, unit="Hz", low=20.0, high=300.0, effect="flat from here on; nothing far below"
    )
    highest_hz: float = setting(
        5000.0, unit="Hz", low=2000.0, high=8000.0, effect="flat up to here; nothing far above"
    )
    most_boost_db: float = setting(
        12.0, unit="dB", low=1.0, high=24.0, effect="most gain, over that at 1 kHz"
    )

    def __post_init__(self) -> None:
        check(self, "equalise")


@dataclass(frozen=True, kw_only=True)
class Rig:
    """A transmitter: carrier, plate supply, limits, level and the paths its audio takes."""

    name: str
    description: str = ""
    carrier: Carrier | None = None
    plate: Plate | None = None
    modulator: Modulator | None = None
    modulation: Modulation = Modulation()
    level: Level = Level()
    equalise: Equalise = Equalise()
    paths: tuple[Path, ...] = ()

    def with_limits(
        self, negative_limit_pct: float | None = None, positive_limit_pct: float | None = None
    ) -> "Rig":
        """Return the same rig with other limits; ``None`` keeps one.

        Raises
        ------
        SettingError
            If a limit is out of range.
        """
        given = {
            "negative_limit_pct": negative_limit_pct,
            "positive_limit_pct": positive_limit_pct,
        }
        changes = {key: value for key, value in given.items() if value is not None}
        return replace(self, modulation=replace(self.modulation, **changes))


_TABLES = {
    "carrier": Carrier,
    "plate": Plate,
    "modulator": Modulator,
    "modulation": Modulation,
    "level": Level,
    "equalise": Equalise,
}


def rig_from_table(table: Mapping[str, Any], where: str) -> Rig:
    """Make a rig from the content of a rig file.

    The table ``notes`` is the user's own: it may hold anything, and nobody reads it.

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
    refuse_unknown_keys(table, ["name", "description", *_TABLES, "paths", "notes"], where)
    name, description = heading(table, where)
    parts: dict[str, Any] = {}
    for key, design in _TABLES.items():
        if key in table:
            if not isinstance(table[key], Mapping):
                raise SettingError(f"{where}: {key} must be a table, headed [{key}]")
            parts[key] = from_table(design, table[key], f"{where}: {key}")
    rows = tables(table, "paths", where)
    paths = tuple(_path(row, number, where) for number, row in enumerate(rows, 1))
    return Rig(name=name, description=description, paths=paths, **parts)


def _path(row: Mapping[str, Any], number: int, where: str) -> Path:
    here = f"{where}: path {number}"
    refuse_unknown_keys(row, ["name", "sections"], here)
    name = text(row, "name", f"path {number}", here)
    rows = tables(row, "sections", here, "paths.")
    return Path(name=name, sections=sections_from_list(rows, here))
