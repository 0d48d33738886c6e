"""What is written in pictures lies where a person can read it."""

import pytest
from matplotlib.figure import Figure

from carrierfloor.cli.plots import mark_limits, name_limits
from carrierfloor.dsp.rig import Modulation


@pytest.mark.parametrize("limit_pct", [90.0, 125.0, 200.0])
def test_the_name_of_a_limit_lies_inside_the_axis(limit_pct: float) -> None:
    """Also where nothing in the picture comes near it."""
    ax = Figure().subplots()
    ax.set_xlim(-125.0, 110.0)
    limits = Modulation(negative_limit_pct=95.0, positive_limit_pct=limit_pct)
    mark_limits(limits, ax=ax)
    name_limits(limits, ax=ax)
    left, right = ax.get_xlim()
    assert left == -125.0
    assert right >= limit_pct + 10.0
