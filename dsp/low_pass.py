"""Low-pass: the audio bandwidth, and with it the width of the signal on the air."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.fir import (
    Filter,
    fir_coefficients,
    fir_kernel,
    fir_state,
    low_pass_filters,
)
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import Block, CompiledStage, Context, StageDesign

STOP_DB = 80.0
LOWEST_CUTOFF_HZ = 500.0  # an output that carries less than this is no voice channel

# Coefficients: where the second filter's begin in coefficients and state, then both filters.
SECOND, SECOND_STATE, FIRST = range(3)


@dataclass
class LowPass(CompiledStage):
    """A linear-phase low-pass; the edges are those in use, after any narrowing."""

    cutoff_hz: float = 0.0
    stop_hz: float = 0.0


@dataclass(frozen=True, kw_only=True)
class LowPassDesign(StageDesign):
    """A linear-phase low-pass, 80 dB down from its stop edge on.

    The necessary bandwidth of full-carrier double-sideband telephony is twice the highest audio
    frequency (ITU-R SM.1138, class A3E), so 3 kHz of audio make a 6K00A3E signal.
    """

    kind: ClassVar[str] = "low_pass"

    cutoff_hz: float = setting(
        4000.0, unit="Hz", low=1500.0, high=8000.0, effect="highest audio frequency that passes"
    )
    stop_pct: float = setting(
        125.0, unit="%", low=110.0, high=150.0, effect="where 80 dB are reached, of cutoff_hz"
    )

    def build(self, context: Context) -> LowPass:
        """Design the filters; where the output carries less, the cut-off narrows to fit.

        Raises
        ------
        SettingError
            If the output's sample rate leaves no room for a voice.
        """
        ratio = self.stop_pct / 100.0
        cutoff_hz = min(self.cutoff_hz, context.highest_hz / ratio)
        if cutoff_hz < LOWEST_CUTOFF_HZ:
            raise SettingError(
                f"low_pass: the output carries only {context.highest_hz:g} Hz; "
                f"it must carry at least {LOWEST_CUTOFF_HZ * ratio:g} Hz: use a higher sample rate"
            )
        filters = low_pass_filters(cutoff_hz, cutoff_hz * ratio, STOP_DB)
        return LowPass(
            kind=self.kind,
            kernel=low_pass_kernel,
            coefficients=_coefficients(filters),
            initial_state=np.concatenate([fir_state(f) for f in filters]),
            latency_samples=sum(f.length_samples for f in filters) // 2,
            read_meters=lambda state: {"cutoff_hz": cutoff_hz, "stop_hz": cutoff_hz * ratio},
            cutoff_hz=cutoff_hz,
            stop_hz=cutoff_hz * ratio,
        )


def _coefficients(filters: tuple[Filter, ...]) -> Block:
    rows = [fir_coefficients(f) for f in filters]
    second, second_state = FIRST + len(rows[0]), len(fir_state(filters[0]))
    return np.concatenate([[float(second), float(second_state)], *rows])


@kernel
def low_pass_kernel(coefficients: Block, state: Block, block: Block) -> None:
    """Run the one or two filters over the block, in place."""
    second, second_state = int(coefficients[SECOND]), int(coefficients[SECOND_STATE])
    fir_kernel(coefficients[FIRST:second], state[:second_state], block)
    if second < coefficients.shape[0]:
        fir_kernel(coefficients[second:], state[second_state:], block)
