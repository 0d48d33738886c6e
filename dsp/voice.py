"""The voice document: how the speech is shaped, as an ordered chain of stages."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any, cast

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.settings import heading, refuse_unknown_keys, tables
from carrierfloor.dsp.stage import StageDesign

# Where the design of each kind lives; imported when a voice asks for it.
BUILT_IN = {
    "condition": "condition:ConditionDesign",
    "tone": "tone:ToneDesign",
    "gate": "gate:GateDesign",
    "leveller": "leveller:LevellerDesign",
    "compressor": "compressor:CompressorDesign",
    "polarity": "polarity:PolarityDesign",
    "phase_rotation": "phase_rotation:PhaseRotationDesign",
    "drive": "drive:DriveDesign",
    "clipper": "clipper:ClipperDesign",
    "low_pass": "low_pass:LowPassDesign",
    "sub_audio": "sub_audio:SubAudioDesign",
}
PLUGIN_GROUP = "carrierfloor.stages"


@dataclass(frozen=True, kw_only=True)
class Voice:
    """An ordered chain of stage designs; the limiter and the output always follow it."""

    name: str
    description: str = ""
    stages: tuple[StageDesign, ...] = ()

    def with_drive(self, drive_db: float) -> "Voice":
        """Return the same voice with another drive.

        Raises
        ------
        SettingError
            If the voice has no drive stage.
        """
        if not any(stage.kind == "drive" for stage in self.stages):
            raise SettingError(
                f"--drive: voice {self.name!r} has no drive stage; add one to a copy of it"
            )
        stages = tuple(
            replace(stage, drive_db=drive_db)  # type: ignore[call-arg]
            if stage.kind == "drive"
            else stage
            for stage in self.stages
        )
        return replace(self, stages=stages)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is allowed but unwise in the order of the stages."""
        kinds = [stage.kind for stage in self.stages]
        found = []
        for at, kind in enumerate(kinds):
            if kind == "clipper" and "low_pass" not in kinds[at:]:
                found.append("a clipper with no low_pass after it splatters inside the channel")
            if kind == "clipper" and "sub_audio" not in kinds[at:]:
                found.append("a clipper with no sub_audio after it moves the baseline")
        return tuple(found)


def voice_from_table(table: Mapping[str, Any], where: str) -> Voice:
    """Make a voice from the content of a voice file.

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
    refuse_unknown_keys(table, ["name", "description", "stages"], where)
    name, description = heading(table, where)
    rows = tables(table, "stages", where)
    stages = tuple(_stage(row, number, where) for number, row in enumerate(rows, 1))
    return Voice(name=name, description=description, stages=stages)


def _stage(row: Mapping[str, Any], number: int, where: str) -> StageDesign:
    kind = row.get("kind")
    if not isinstance(kind, str):
        raise SettingError(f'{where}: stage {number} has no kind; write kind = "..." in it')
    settings = {key: value for key, value in row.items() if key != "kind"}
    return design_type(kind, where).from_settings(settings, f"{where}: stage {number} ({kind})")


def design_type(kind: str, where: str = "") -> type[StageDesign]:
    """Find the design of a kind of stage, built in or installed by another package.

    Raises
    ------
    SettingError
        If nothing answers to that kind.
    """
    if kind in BUILT_IN:
        module, _, name = BUILT_IN[kind].partition(":")
        return cast(type[StageDesign], getattr(import_module(f"carrierfloor.dsp.{module}"), name))
    plugins = {point.name: point for point in entry_points(group=PLUGIN_GROUP)}
    if kind not in plugins:
        known = ", ".join([*BUILT_IN, *sorted(plugins)])
        raise SettingError(f"{where}: stage kind {kind!r} is not known; known kinds: {known}")
    loaded: object = plugins[kind].load()
    if not (isinstance(loaded, type) and issubclass(loaded, StageDesign)):
        raise SettingError(
            f"{where}: stage kind {kind!r} names {plugins[kind].value}, which is no StageDesign"
        )
    return loaded
