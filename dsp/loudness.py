"""Loudness after ITU-R BS.1770-4: measuring it, and bringing signals to the same one.

Signals are matched by turning all of them down to the quietest, and then all of them together
until none passes full scale, between samples too; nothing is ever limited.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from pyebur128 import MeasurementMode, R128State, get_loudness_global, get_true_peak

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

HIGHEST_TRUE_PEAK_DB = -0.5  # room for a player's resampler and for dither
LOWEST_LUFS = -70.0  # the absolute gate of BS.1770-4: all below it counts as silence
CLOSE_LU = 0.005  # what differs by less is equally loud


@dataclass(frozen=True)
class Reading:
    """What the meter found; one channel that is played on one loudspeaker."""

    lufs: float  # integrated loudness, gated; minus infinity for silence
    true_peak_db: float  # over full scale


@dataclass(frozen=True)
class Matched:
    """A signal that is as loud as the others."""

    samples: Block  # shape (n,)
    lufs: float  # loudness now
    lufs_before: float  # loudness of what was given
    gain_db: float  # what brought it there, never above 0


def loudness(samples: Block, rate_hz: int = round(SAMPLE_RATE_HZ)) -> Reading:
    """Measure the loudness and the true peak of one channel.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        1.0 is full scale.
    rate_hz : int
        Of the samples.
    """
    state = _heard(samples, rate_hz, MeasurementMode.MODE_I | MeasurementMode.MODE_TRUE_PEAK)
    lufs = get_loudness_global(state)
    return Reading(
        lufs=lufs if lufs > LOWEST_LUFS else -math.inf,
        true_peak_db=decibels(float(get_true_peak(state, 0))),
    )


def matched(signals: Sequence[Block], rate_hz: int = round(SAMPLE_RATE_HZ)) -> Iterator[Matched]:
    """Bring signals to one loudness, that of the quietest, or less if one would pass full scale.

    Parameters
    ----------
    signals : sequence of ndarray, shape (n,)
        1.0 is full scale; they may pass it.
    rate_hz : int
        Of all of them.

    Returns
    -------
    iterator of Matched
        In the order of the signals; each is made when it is asked for.

    Raises
    ------
    AudioError
        If one is silent, or too short to have a loudness (0.4 s).
    """
    readings = [loudness(samples, rate_hz) for samples in signals]
    _refuse_silence([reading.lufs for reading in readings])
    aim = min(reading.lufs for reading in readings)
    over_db = [aim - reading.lufs + reading.true_peak_db for reading in readings]
    aim -= max(0.0, max(over_db) - HIGHEST_TRUE_PEAK_DB)
    gains_db = [aim - reading.lufs for reading in readings]
    gains_db, lufs = _together(signals, gains_db, rate_hz)
    return (
        Matched(_turned(samples, gain_db), now, reading.lufs, gain_db)
        for samples, gain_db, now, reading in zip(signals, gains_db, lufs, readings, strict=True)
    )


def _together(
    signals: Sequence[Block], gains_db: list[float], rate_hz: int
) -> tuple[list[float], list[float]]:
    """Turn down more what reads louder than the quietest all the same; return gains and LUFS.

    The absolute gate does not come down with a signal.  Pauses that sink below it no longer count,
    and what is left reads louder than the gain makes it; never less loud, so that this ends.
    """
    while True:
        turned = (_turned(*pair) for pair in zip(signals, gains_db, strict=True))
        lufs = [get_loudness_global(_heard(one, rate_hz, MeasurementMode.MODE_I)) for one in turned]
        _refuse_silence(lufs)
        quietest = min(lufs)
        if max(lufs) - quietest < CLOSE_LU:
            return gains_db, lufs
        gains_db = [gain - (now - quietest) for gain, now in zip(gains_db, lufs, strict=True)]


def _turned(samples: Block, gain_db: float) -> Block:
    return np.asarray(10.0 ** (gain_db / 20.0) * samples)


def _heard(samples: Block, rate_hz: int, mode: MeasurementMode) -> R128State:
    state = R128State(1, rate_hz, mode)
    state.add_frames(np.ascontiguousarray(samples, dtype=np.float64), len(samples))
    return state


def _refuse_silence(lufs: Sequence[float]) -> None:
    if not all(map(math.isfinite, lufs)):
        raise AudioError(
            f"loudness takes 0.4 s of sound over {LOWEST_LUFS:g} LUFS at least, and one of the "
            "versions is shorter or fainter"
        )
