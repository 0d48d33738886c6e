"""Phase rotation: makes the waveform symmetric, for rigs with no room upward.

Four second-order all-passes at 600 Hz, q 0.7.  On four open recordings of people, high-passed at
90 Hz and low-passed at 4 kHz, they raised the rms at equal symmetric peaks by 1.2 dB: the mean over
the highest peak and the 95 and 85 % quantiles of the peaks of 20 ms frames.  550 to 700 Hz did as
well within 0.2 dB.  Eight synthetic voices, symmetric to begin with, gained 0.2 dB; no recording
lost more than 0.4 dB in either quantile, while the single highest peak may grow.
"""

from dataclasses import dataclass
from typing import ClassVar

from carrierfloor.dsp.biquad import all_pass, biquad_kernel, cascade, cascade_state
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import CompiledStage, Context, StageDesign

SECTIONS = 4
CORNER_HZ = 600.0
Q = 0.7

# Up to here a rig has no room upward that asymmetric peaks could use.
NO_HEADROOM = 1.05  # positive over negative limit

phase_rotation_kernel = biquad_kernel


@dataclass
class PhaseRotation(CompiledStage):
    """A cascade of all-passes, or nothing; ``active`` tells which.

    Its latency counts as 0: the highest frequencies pass at once, those below 600 Hz 3 to 3.6 ms
    later.
    """

    active: bool = False


@dataclass(frozen=True, kw_only=True)
class PhaseRotationDesign(StageDesign):
    """All-passes that spread the harmonics of a pulse, so that its peak falls."""

    kind: ClassVar[str] = "phase_rotation"

    mode: str = setting(
        "auto",
        choices=("auto", "on", "off"),
        effect="auto: on only for a rig whose positive limit is within 5 % of its negative one",
    )

    def build(self, context: Context) -> PhaseRotation:
        """Decide by the rig's limits."""
        no_room = context.positive_limit <= NO_HEADROOM * context.negative_limit
        active = self.mode == "on" or (self.mode == "auto" and no_room)
        rows = [all_pass(CORNER_HZ, Q)] * SECTIONS if active else []
        return PhaseRotation(
            kind=self.kind,
            kernel=phase_rotation_kernel,
            coefficients=cascade(rows),
            initial_state=cascade_state(len(rows)),
            read_meters=lambda state: {"rotation_now": float(active)},
            active=active,
        )
