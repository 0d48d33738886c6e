"""Sub-audio high-pass: removes the moving baseline that asymmetric clipping makes.

The limiter knows the path, so on the path it knows a moving baseline costs nothing; on one it does
not know, the baseline goes and the troughs grow.  Four open recordings of people, clipped by 14 dB
at 95 % and 125 %, low-passed and limited for a flat path, reached 108 % at worst behind an unknown
second-order 10 Hz high-pass; with this stage 99 %, for 0.16 dB less modulation.  Higher corners
cost more (0.4 dB at 60 Hz) and gain little.
"""

from dataclasses import dataclass
from typing import ClassVar

from carrierfloor.dsp.biquad import biquad_kernel, cascade, cascade_state, digital
from carrierfloor.dsp.sections import BUTTERWORTH_Q, Section
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import CompiledStage, Context, StageDesign

sub_audio_kernel = biquad_kernel


@dataclass(frozen=True, kw_only=True)
class SubAudioDesign(StageDesign):
    """A second-order Butterworth high-pass."""

    kind: ClassVar[str] = "sub_audio"

    corner_hz: float = setting(
        30.0, unit="Hz", low=10.0, high=100.0, effect="corner of the high-pass after the clipper"
    )

    def build(self, context: Context) -> CompiledStage:
        """Turn the corner into one biquad."""
        row = digital(Section(kind="highpass", corner_hz=self.corner_hz, q=BUTTERWORTH_Q))
        return CompiledStage(self.kind, sub_audio_kernel, cascade([row]), cascade_state(1))
