"""A measured response that no sections follow: what the user is told."""

import numpy as np
import pytest

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path_fit import fit_path
from tests import measured
from tests.measured import Array, Spectrum


def turned_aside(frequency_hz: Array) -> Spectrum:
    """A flat path that loses its footing from 1900 to 2250 Hz."""
    aside = (frequency_hz > 1900.0) & (frequency_hz < 2250.0)
    return np.asarray(np.where(aside, 1.0 + 0.4j, 1.0))


def test_says_where_in_the_capture_to_listen() -> None:
    """The sweep, 20 Hz to 10 kHz in 5 s, begins 0.3 s into the capture.

    It passes 1900 to 2250 Hz (Farina, 2000: f = f1 exp(t / L), L = T / ln(f2 / f1)) from 3.66 to
    3.80 s after that.
    """
    with pytest.raises(SettingError, match=r"off at 2\d{3} Hz .* around 4\.[01] s"):
        fit_path(measured.seen(turned_aside, noise=0.1), "broken")
