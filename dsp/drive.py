"""Drive: the gain ahead of the clipper."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

GAIN = 0  # coefficient: linear gain


@dataclass(frozen=True, kw_only=True)
class DriveDesign(StageDesign):
    """A fixed gain."""

    kind: ClassVar[str] = "drive"

    drive_db: float = setting(
        12.0, unit="dB", low=-20.0, high=40.0, effect="gain ahead of the stages that follow"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the gain into a stage."""
        gain = 10.0 ** (self.drive_db / 20.0)
        return CompiledStage(self.kind, drive_kernel, np.array([gain]), np.zeros(0))


@kernel
def drive_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Multiply the block in place."""
    gain = coefficients[GAIN]
    for i in range(block.shape[0]):
        block[i] *= gain
