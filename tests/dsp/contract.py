"""What every stage must hold: seam, latency, reset, silence."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from carrierfloor.dsp.stage import HOP, Stage

Audio = NDArray[np.float64]
RATE_HZ = 48_000
OPEN_SPEECH = Path(__file__).parents[1] / "open_speech"
CLIPS = ("F1", "F2", "M1", "M2")


def speech(clip: str, *, rms: float = 0.1) -> Audio:
    """One of the open recordings, scaled to an rms over its whole length."""
    audio, rate = sf.read(OPEN_SPEECH / f"{clip}_harvard_phrases.flac")
    assert rate == RATE_HZ
    return np.asarray(audio * (rms / np.sqrt(np.mean(audio**2))))


def in_pieces(stage: Stage, audio: Audio, sizes: list[int]) -> Audio:
    """Feed the audio in pieces of the given sizes, over and over."""
    out, start, turn = [], 0, 0
    while start < len(audio):
        out.append(stage.process(audio[start : start + sizes[turn % len(sizes)]]))
        start += sizes[turn % len(sizes)]
        turn += 1
    return np.concatenate(out)


def assert_seamless(make: Callable[[], Stage], audio: Audio) -> None:
    """Any cut gives the same; cuts at hops give the same bits."""
    whole = make().process(audio)
    for sizes in ([1], [7], [HOP], [480], [4096], [1, 127, 300, 2]):
        cut = in_pieces(make(), audio, sizes)
        np.testing.assert_allclose(cut, whole, rtol=0.0, atol=1e-12)
    np.testing.assert_array_equal(in_pieces(make(), audio, [5 * HOP]), whole)
    np.testing.assert_array_equal(in_pieces(make(), audio, [HOP, 3 * HOP]), whole)


def assert_reset_is_fresh(make: Callable[[], Stage], audio: Audio) -> None:
    """After a reset the stage does bit for bit what a new one does."""
    used = make()
    used.process(audio[::-1])
    used.reset()
    np.testing.assert_array_equal(used.process(audio), make().process(audio))


def assert_silence_stays_silent(make: Callable[[], Stage], audio: Audio) -> None:
    """Silence gives exact zeros, at once on a fresh stage and for good some time after sound.

    Zeros, not merely small numbers: denormal numbers would slow every later stage down.
    """
    stage = make()
    assert not np.any(stage.process(np.zeros(1000)))
    stage.process(audio)
    tail = stage.process(np.zeros(10 * RATE_HZ))
    assert not np.any(tail[-RATE_HZ:])


def delay_samples(given: Audio, came_out: Audio) -> int:
    """Where the cross-correlation of both is largest in magnitude."""
    size = 2 * len(given)
    spectrum = np.fft.rfft(came_out, size) * np.conj(np.fft.rfft(given, size))
    return int(np.argmax(np.abs(np.fft.irfft(spectrum))[: len(given)]))


def tone(frequency_hz: float, seconds: float = 1.0, peak: float = 1.0) -> Audio:
    """A sine that starts at zero."""
    n = np.arange(round(seconds * RATE_HZ))
    return np.asarray(peak * np.sin(2.0 * np.pi * frequency_hz * n / RATE_HZ))


def noise(seconds: float = 1.0, rms: float = 0.1, seed: int = 1) -> Audio:
    """White noise."""
    return rms * np.random.default_rng(seed).standard_normal(round(seconds * RATE_HZ))


def impulse_response(stage: Stage, size: int = 1 << 15) -> Audio:
    """What one sample of 1 sets off."""
    stage.reset()
    given = np.zeros(size)
    given[0] = 1.0
    return np.asarray(stage.process(given))
