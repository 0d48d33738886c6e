"""When a search of sections is given up."""

import numpy as np
import pytest

from carrierfloor.dsp.section_fit import fit
from carrierfloor.dsp.section_problem import NUISANCES, Data
from carrierfloor.dsp.section_search import THINNED, is_hopeless

GRID = np.geomspace(21.0, 9600.0, 425)


def flat_but_for(lifted: float, from_hz: float, to_hz: float) -> Data:
    """Return what a flat path would show that is a share higher between two frequencies."""
    inside = (from_hz < GRID) & (to_hz > GRID)
    response = np.where(inside, 1.0 + lifted, 1.0).astype(complex)
    return Data(GRID, response, np.full(len(GRID), 1e-3), np.zeros(len(GRID))).thinned(THINNED)


@pytest.mark.parametrize(
    ("lifted", "from_hz", "to_hz", "hopeless"),
    [
        (0.9, 900.0, 1200.0, False),  # nine times what is allowed: exchanges may still mend it
        (1.1, 900.0, 1200.0, True),
        (9.0, 30.0, 60.0, False),  # nobody speaks there
        (9.0, 6000.0, 9000.0, False),
        (1.9, 1000.0, 1015.0, False),  # one cell alone may be chance
    ],
)
def test_ten_times_the_error_allowed_is_hopeless(
    lifted: float, from_hz: float, to_hz: float, hopeless: bool
) -> None:
    """10 % may remain from 100 Hz to 5 kHz over 9/48 octave; no section at all is fitted here."""
    data = flat_but_for(lifted, from_hz, to_hz)
    solution = fit(data, (), 1.0, np.zeros(NUISANCES), steps=0)
    assert is_hopeless(data, solution) == hopeless
