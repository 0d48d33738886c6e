"""How far the true antenna may go beyond what the limiter foretells with a measured path."""

from dataclasses import dataclass

from carrierfloor.dsp.path_fit import PathFit
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.sweep_response import SweepResponse


@dataclass(frozen=True, kw_only=True)
class Excess:
    """What could add to a peak at its limit, in % modulation."""

    response_pct: float  # fitted against true linear response
    distortion_pct: float  # second and third order, scaled from the sweep's depth to the limit
    hum_pct: float

    @property
    def total_pct(self) -> float:
        """All of it together."""
        return self.response_pct + self.distortion_pct + self.hum_pct


@dataclass(frozen=True, kw_only=True)
class PathMargin:
    """What is to be kept free under the limits.

    Attributes
    ----------
    negative_margin_pct, positive_margin_pct : float
        For the rig file's [modulation], rounded up to 0.1 %, at most 20 %.
    negative, positive : Excess
        What they are made of.
    """

    negative_margin_pct: float
    positive_margin_pct: float
    negative: Excess
    positive: Excess


def path_margin(
    fit: PathFit,
    response: SweepResponse,
    modulation: Modulation,
    depth: float,
) -> PathMargin:
    """Work out the margin of a measured path.

    Parameters
    ----------
    fit : PathFit
        From :func:`fit_path`.
    response : SweepResponse
        What it was fitted to.
    modulation : Modulation
        The rig's limits.
    depth : float
        Modulation of the sweep at 1 kHz, 1.0 = 100 %, as well as it is known: distortion and hum
        are scaled from there; the linear path does not depend on it.
    """
    raise NotImplementedError
