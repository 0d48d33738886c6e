"""What a path makes of a waveform that was limited without knowing it."""

from dataclasses import dataclass

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.stage import Block


@dataclass(frozen=True, kw_only=True)
class Regrowth:
    """A perfectly limited waveform, and the same at the antenna.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        A stretch around the deepest trough, from 0.
    limited, antenna : ndarray, shape (n,)
        Modulation before and behind the path, 1.0 = 100 %; without the path's delay.
    trough_pct, crest_pct : float
        Of the whole antenna waveform.
    """

    time_s: Block
    limited: Block
    antenna: Block
    trough_pct: float
    crest_pct: float


def regrowth(path: Path, negative_limit: float, positive_limit: float) -> Regrowth:
    """Send speech-like sound, clipped and band-limited within both limits, through a path.

    Parameters
    ----------
    path : Path
        The analogue path.
    negative_limit, positive_limit : float
        What the waveform holds before the path, 1.0 = 100 %.
    """
    raise NotImplementedError
