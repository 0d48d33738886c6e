"""Drive: the gain ahead of the clipper.

It may be changed while it runs: the gain then glides to its new value within one block.
"""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

GAIN = 0  # coefficient: linear gain
GAIN_NOW = 0  # state: the gain that the last sample got


@dataclass(frozen=True, kw_only=True)
class DriveDesign(StageDesign):
    """A fixed gain."""

    kind: ClassVar[str] = "drive"

    drive_db: float = setting(
        12.0, unit="dB", low=-20.0, high=40.0, effect="gain ahead of the stages that follow"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the gain into a stage."""
        gain = np.array([gain_of(self.drive_db)])
        return CompiledStage(self.kind, drive_kernel, gain, gain)


def gain_of(drive_db: float) -> float:
    """Return the linear gain."""
    return float(10.0 ** (drive_db / 20.0))


@kernel
def drive_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Multiply the block in place."""
    gain, wanted = state[GAIN_NOW], coefficients[GAIN]
    if gain == wanted:
        for i in range(block.shape[0]):
            block[i] *= gain
        return
    step = (wanted - gain) / block.shape[0]
    for i in range(block.shape[0]):
        block[i] *= gain + step * (i + 1)
    state[GAIN_NOW] = wanted
