"""What a path makes of a waveform that was limited without knowing it."""

import numpy as np
import pytest

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.regrowth import regrowth
from carrierfloor.dsp.sections import Section

TRANSFORMER = Path(name="transformer", sections=(Section(kind="highpass", corner_hz=40.0, q=0.7),))


def test_the_stretch_shown_can_be_read() -> None:
    """Both curves cross zero so rarely, fewer than 80 times, that a picture shows them apart.

    Speech up to 5 kHz, 100 crossings in 10 ms at the very most; the deepest trough is among them.
    """
    shown = regrowth(TRANSFORMER, 0.95, 1.25)
    for curve in (shown.limited, shown.antenna):
        assert np.count_nonzero(np.diff(np.sign(curve))) < 80
    assert -100.0 * shown.antenna.min() == pytest.approx(shown.trough_pct, abs=0.5)
    assert shown.limited.min() >= -0.951
