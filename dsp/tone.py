"""Tone: a parametric equaliser of shelves, peaks and passes."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Self

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.sections import Section, sections_from_list
from carrierfloor.dsp.settings import refuse_unknown_keys, tables
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

MOST_BANDS = 12

tone_kernel = biquad_kernel


@dataclass(frozen=True, kw_only=True)
class ToneDesign(StageDesign):
    """Bands in a row, each a section; a treble tilt is one high shelf.

    In a voice file every band is a sub-table::

        [[stages.bands]]
        kind = "highshelf"
        corner_hz = 1800.0
        gain_db = 6.0
        q = 0.5
    """

    kind: ClassVar[str] = "tone"

    bands: tuple[Section, ...] = ()

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(self.bands) > MOST_BANDS:
            raise SettingError(
                f"{self.kind}: {len(self.bands)} bands are given; at most {MOST_BANDS} are allowed"
            )
        self._rows()  # refuses a band too near half the sample rate

    @classmethod
    def from_settings(cls, settings: Mapping[str, Any], where: str) -> Self:
        """Make a design from its table in a voice file."""
        refuse_unknown_keys(settings, ["bands"], where)
        rows = tables(settings, "bands", where, "stages.")
        return cls(bands=sections_from_list(rows, f"{where}: bands"))

    def build(self, context: Context) -> CompiledStage:
        """Turn the bands into a cascade of biquads."""
        rows = self._rows()
        return CompiledStage(self.kind, tone_kernel, cascade(rows), cascade_state(len(rows)))

    def _rows(self) -> list[Block]:
        return [digital(band) for band in self.bands]
