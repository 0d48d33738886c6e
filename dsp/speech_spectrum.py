"""The spectrum of somebody's speech in a recording, apart from the noise in its pauses.

Frame by frame the power in the third octaves; then the frames with speech against the quiet ones.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.speech_noise import EDGES_HZ
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

Floats = NDArray[np.float64]

CENTRES_HZ = np.sqrt(EDGES_HZ[:-1] * EDGES_HZ[1:])  # 63 Hz to 16 kHz, exact
FRAME = 4096  # samples, 85 ms: lines of 12 Hz, so that the lowest bands hold some
STEP = 1024
AT_ONCE = 256  # frames
LEAST_POWER = 1e-12  # -120 dB: nothing a recording holds is weaker

ACTIVE_DB = 15.9  # so far under the active level a frame still counts: ITU-T P.56 (2011), M
HANGOVER = round(0.2 * SAMPLE_RATE_HZ / STEP)  # frames that still count behind it: P.56, H
# The quietest twentieth of the frames says how low the level gets; those not much louder are the
# pauses.  Steady noise stays within that, so that its mean is not taken too low.
QUIETEST, LOUDER_DB = 0.05, 2.0
PAUSE_PART = 0.065  # of all frames lie at the floor, if there is one
PARTS = 8  # of the speech, which are compared to tell how well its spectrum is known


def third_octaves(samples: Block) -> Floats:
    """Return the power in third octaves of a recording, frame by frame.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At 48 kHz; at least one frame.

    Returns
    -------
    ndarray, shape (frames, bands)
        Mean square in the bands around ``CENTRES_HZ``; all of them together make that of the
        frame, as far as it lies between 56 Hz and 18 kHz.
    """
    window = np.hanning(FRAME + 1)[:-1]
    frames = np.lib.stride_tricks.sliding_window_view(samples, FRAME)[::STEP]
    share = _shares().T * (2.0 / (FRAME * np.sum(window**2)))
    found = []
    for first in range(0, len(frames), AT_ONCE):
        lines = fft.rfft(frames[first : first + AT_ONCE] * window)
        found.append(np.square(np.abs(lines)) @ share)
    return np.concatenate(found)


def _shares() -> Floats:
    """Return how much of each line belongs to each band, shape (bands, lines)."""
    width_hz = SAMPLE_RATE_HZ / FRAME
    line_hz = np.arange(FRAME // 2 + 1) * width_hz
    low, high = EDGES_HZ[:-1, np.newaxis], EDGES_HZ[1:, np.newaxis]
    top = np.minimum(high, line_hz + 0.5 * width_hz)
    bottom = np.maximum(low, line_hz - 0.5 * width_hz)
    return np.asarray(np.clip((top - bottom) / width_hz, 0.0, 1.0))


@dataclass(frozen=True, kw_only=True)
class SpeechSpectrum:
    """Speech and noise of a recording in third octaves."""

    speech: Floats  # mean square in each band while somebody speaks, without the noise
    noise: Floats  # mean square in each band in the pauses
    uncertainty_db: Floats  # of the speech, one standard deviation
    has_pauses: bool  # else the quietest frames hold speech, and the noise is weaker than stated
    spread_db: float  # from the quiet frames to the loud ones: much for speech, little for noise

    @property
    def signal_to_noise_db(self) -> Floats:
        """Speech over noise in each band."""
        return np.asarray(10.0 * np.log10(self.speech / self.noise))

    def speech_over_noise_db(self, weight: Floats) -> float:
        """Return speech over noise behind a filter that passes ``weight`` of each band's power."""
        ratio = np.dot(weight, self.speech) / np.dot(weight, self.noise)
        return float(10.0 * np.log10(ratio))


def of_recording(samples: Block, weight: Floats) -> SpeechSpectrum:
    """Take the speech of a recording and the noise in its pauses apart.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        At 48 kHz; at least one frame.
    weight : ndarray, shape (bands,)
        What part of each band's power counts when a frame is called loud or quiet.
    """
    bands = np.maximum(third_octaves(samples), LEAST_POWER)
    power = bands @ weight
    level_db = 10.0 * np.log10(power)
    loud = level_db > _active_level_db(power) - ACTIVE_DB
    active = np.convolve(loud, np.ones(1 + HANGOVER))[: len(loud)] > 0.0
    quietest_db, loudest_db = np.quantile(level_db, [QUIETEST, 1.0 - QUIETEST])
    quiet = level_db <= quietest_db + LOUDER_DB
    noise = bands[quiet].mean(axis=0)
    return SpeechSpectrum(
        speech=np.maximum(bands[active].mean(axis=0) - noise, LEAST_POWER),
        noise=noise,
        uncertainty_db=_uncertainty_db(bands[active]),
        has_pauses=bool(np.mean(quiet) >= PAUSE_PART),
        spread_db=float(loudest_db - quietest_db),
    )


def _active_level_db(power: Floats) -> float:
    """Return the level that lies the margin above the threshold it is counted from.

    The rule of P.56 for frames: of all thresholds the one is taken that is as far under the mean
    level of what lies above it.
    """
    falling = np.sort(power)[::-1]
    mean_db = 10.0 * np.log10(np.cumsum(falling) / np.arange(1, len(falling) + 1))
    within = np.flatnonzero(mean_db - 10.0 * np.log10(falling) <= ACTIVE_DB)
    return float(mean_db[within[-1]])


def _uncertainty_db(bands: Floats) -> Floats:
    """Return how far the spectra of parts of the speech lie apart, for the mean of them all."""
    if len(bands) < PARTS:
        return np.full(bands.shape[1], np.inf)
    parts = [part.mean(axis=0) for part in np.array_split(bands, PARTS)]
    shape_db = np.array([10.0 * np.log10(part / part.sum()) for part in parts])
    return np.asarray(shape_db.std(axis=0, ddof=1) / np.sqrt(PARTS))
