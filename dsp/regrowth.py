"""What a path makes of a waveform that was limited without knowing it."""

from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.speech_like import held
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.waveform_through import FINE, through

SHOWN_S = 0.006  # to either side of the deepest trough: more would hide one curve behind another
UNKNOWN = Path(name="flat")


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
    limited = held(UNKNOWN, negative_limit, positive_limit)
    before, after = through(limited, UNKNOWN.response), through(limited, path.response)
    delay = _delay(before, after)
    at = int(np.argmin(after))
    reach = round(SHOWN_S * SAMPLE_RATE_HZ * FINE)
    middle = min(max(at, reach), len(after) - reach)
    shown = np.arange(middle - reach, middle + reach)
    return Regrowth(
        time_s=(shown - shown[0]) / (SAMPLE_RATE_HZ * FINE),
        limited=before[(shown - delay) % len(before)],
        antenna=after[shown],
        trough_pct=-100.0 * float(after.min()),
        crest_pct=100.0 * float(after.max()),
    )


def _delay(before: Block, after: Block) -> int:
    """Return by how many samples the second is later, where both are most alike."""
    alike = np.fft.irfft(np.fft.rfft(after) * np.fft.rfft(before).conj(), len(before))
    at = int(np.argmax(np.abs(alike)))
    return at if at < len(alike) // 2 else at - len(alike)
