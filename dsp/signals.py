"""Test signals: each a function of the sample number, so that it needs no memory.

A signal has a largest magnitude of 1.0 (two tones: at most); :class:`Ramped` sets its level and
begins and ends it without a click.  Cutting a signal into blocks differently changes nothing.
"""

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.stage import Block

BLOCK = 16_384  # samples made at once
SWEEP_GRID = 2000  # frequencies at which a sweep's way through a path is looked at
LOWEST_HZ = 1.0
NARROWEST_BAND = 1.1  # ratio of its ends
# Amplitudes of f and 2 f in the step of a staircase that tells the polarity: sin x - (cos 2x) / 2
# rises to 1.5 and falls to -0.75, and is scaled to a highest value of 1.
UNEVEN_FUNDAMENTAL, UNEVEN_SECOND = 2.0 / 3.0, 1.0 / 3.0


class Signal(ABC):
    """A test signal without beginning or end, unless ``samples`` says how long it is."""

    samples: int | None = None

    @abstractmethod
    def at(self, first: int, count: int) -> Block:
        """Return the samples ``first`` to ``first + count - 1``, shape (count,)."""

    @abstractmethod
    def peak_after(self, path: Path) -> float:
        """Return the largest magnitude that a path makes of it; the path has 1 at 1 kHz."""


@dataclass(frozen=True, kw_only=True)
class Tones(Signal):
    """One or more sines of equal amplitude, which add up to 1.0 at most.

    Parameters
    ----------
    frequencies_hz : tuple of float
        Of the sines; all begin at phase zero.
    sample_rate_hz : float
        Of the samples.
    """

    frequencies_hz: tuple[float, ...]
    sample_rate_hz: float

    def __post_init__(self) -> None:
        for frequency_hz in self.frequencies_hz:
            check_frequency("frequency", frequency_hz, self.sample_rate_hz)

    def at(self, first: int, count: int) -> Block:
        """Return the samples asked for."""
        total = np.zeros(count)
        for frequency_hz in self.frequencies_hz:
            total += np.sin(_phase(first, count, frequency_hz, self.sample_rate_hz))
        return total / len(self.frequencies_hz)

    def peak_after(self, path: Path) -> float:
        """Return the sum of the amplitudes behind the path."""
        return float(np.mean(np.abs(path.response(np.array(self.frequencies_hz)))))


@dataclass(frozen=True, kw_only=True)
class Staircase(Signal):
    """A sine that holds one level after another and glides in between, its phase unbroken.

    Parameters
    ----------
    frequency_hz, sample_rate_hz : float
        Of the sine and of the samples.
    levels : tuple of float
        Amplitude of each step, the largest 1.0.
    hold_samples : int
        Length of a step, its glide included.
    glide_samples : int
        A step begins with so many samples on a raised cosine from the level before.
    uneven_step : int or None
        The number, from 0, of a step whose positive peaks are twice as high as its negative ones,
        to tell the polarity of what hears it: a sine cannot.
    turned_over : bool
        Whether the staircase is played with a negative peak; its uneven step is not turned over.
    """

    frequency_hz: float
    sample_rate_hz: float
    levels: tuple[float, ...]
    hold_samples: int
    glide_samples: int
    uneven_step: int | None = None
    turned_over: bool = False

    def __post_init__(self) -> None:
        if self.uneven_step is not None:
            check_frequency("twice the frequency", 2.0 * self.frequency_hz, self.sample_rate_hz)

    @property
    def samples(self) -> int:  # type: ignore[override]
        """Length of all steps."""
        return len(self.levels) * self.hold_samples

    def at(self, first: int, count: int) -> Block:
        """Return the samples asked for."""
        n = np.arange(first, first + count)
        step = np.clip(n // self.hold_samples, 0, len(self.levels) - 1)
        risen = raised_cosine(n - step * self.hold_samples, self.glide_samples)
        tone, second = self._amplitudes
        phase = _phase(first, count, self.frequency_hz, self.sample_rate_hz)
        block = np.sin(phase) * _glided(tone, step, risen)
        if self.uneven_step is not None:
            block += np.cos(2.0 * phase) * _glided(second, step, risen)
        return np.asarray(block)

    def peak_after(self, path: Path) -> float:
        """Return the highest step behind the path."""
        tone, second = self._amplitudes
        gains = np.abs(path.response(np.array([1.0, 2.0]) * self.frequency_hz))
        return float(np.max(gains[0] * tone + gains[1] * np.abs(second)))

    @property
    def _amplitudes(self) -> tuple[Block, Block]:
        """Of sin x and of cos 2x in each step."""
        tone, second = np.array(self.levels), np.zeros(len(self.levels))
        if self.uneven_step is not None:
            sign = 1.0 if self.turned_over else -1.0
            second[self.uneven_step] = sign * UNEVEN_SECOND * tone[self.uneven_step]
            tone[self.uneven_step] *= UNEVEN_FUNDAMENTAL
        return tone, second


@dataclass(frozen=True, kw_only=True)
class Sweep(Signal):
    """An exponential sine sweep.

    sin(2 pi f1 L (exp(t / L) - 1)) with L = T / ln(f2 / f1): A. Farina, "Simultaneous measurement
    of impulse response and distortion with a swept-sine technique", 108th AES Convention, 2000.

    Parameters
    ----------
    lowest_hz, highest_hz : float
        f1, where it begins, and f2, where it ends.
    duration_s : float
        T.
    sample_rate_hz : float
        Of the samples.
    """

    lowest_hz: float
    highest_hz: float
    duration_s: float
    sample_rate_hz: float

    def __post_init__(self) -> None:
        check_band(self.lowest_hz, self.highest_hz, self.sample_rate_hz)

    @property
    def samples(self) -> int:  # type: ignore[override]
        """Length of the sweep."""
        return round(self.duration_s * self.sample_rate_hz)

    @property
    def time_constant_s(self) -> float:
        """L, the time in which the frequency grows by e."""
        return self.duration_s / math.log(self.highest_hz / self.lowest_hz)

    def at(self, first: int, count: int) -> Block:
        """Return the samples asked for."""
        t = np.arange(first, first + count) / self.sample_rate_hz
        turns = self.lowest_hz * self.time_constant_s * np.expm1(t / self.time_constant_s)
        return np.asarray(np.sin(2.0 * np.pi * turns))

    def peak_after(self, path: Path) -> float:
        """Return the highest gain of the path between the two frequencies."""
        grid = np.geomspace(self.lowest_hz, self.highest_hz, SWEEP_GRID)
        return float(np.abs(path.response(grid)).max())


@dataclass(frozen=True, kw_only=True)
class Ramped:
    """A signal at its level, faded in and out.

    Parameters
    ----------
    signal : Signal
        What is played.
    peak : float
        What 1.0 of it becomes, with sign; 1.0 here is the sound card's full scale.
    ramp_samples : int
        Length of the raised cosine at either end.
    samples : int or None
        Length with both ramps; ``None``: it never ends by itself.
    """

    signal: Signal
    peak: float
    ramp_samples: int
    samples: int | None

    def at(self, first: int, count: int) -> Block:
        """Return the samples ``first`` to ``first + count - 1``; zeros before 0 and at the end."""
        n = np.arange(first, first + count)
        block = self.signal.at(first, count) * self.peak
        block *= raised_cosine(n, self.ramp_samples)
        if self.samples is not None:
            block *= raised_cosine(self.samples - 1 - n, self.ramp_samples)
        return block

    def ending_at(self, end: int) -> "Ramped":
        """Return the same signal, over after ``end`` samples if not before."""
        return replace(self, samples=end if self.samples is None else min(end, self.samples))

    def blocks(self) -> Iterator[Block]:
        """Yield all samples, shape (n,) each; it must have an end."""
        if self.samples is None:
            raise ValueError("an endless signal has no last block")
        for first in range(0, self.samples, BLOCK):
            yield self.at(first, min(BLOCK, self.samples - first))


def _phase(first: int, count: int, frequency_hz: float, sample_rate_hz: float) -> Block:
    """Return the phase of a tone that began with sample 0.

    The whole turns go before the division, so that days of tone stay exact.
    """
    n = np.arange(first, first + count, dtype=np.float64)
    return np.asarray(2.0 * np.pi * (np.fmod(n * frequency_hz, sample_rate_hz) / sample_rate_hz))


def _glided(
    amplitudes: Block, step: np.ndarray[tuple[int], np.dtype[np.int64]], risen: Block
) -> Block:
    """Return the amplitude at every sample, on its way from the step before to this one."""
    now, before = amplitudes[step], amplitudes[np.maximum(step - 1, 0)]
    return np.asarray(before + (now - before) * risen)


def check_frequency(what: str, frequency_hz: float, sample_rate_hz: float) -> None:
    """Refuse a frequency that the sample rate cannot carry.

    Raises
    ------
    SettingError
        Names it and what is allowed.
    """
    if not LOWEST_HZ <= frequency_hz < sample_rate_hz / 2:
        raise SettingError(
            f"{what} is {frequency_hz:g} Hz; it must be {LOWEST_HZ:g} Hz or more and below half "
            f"the sample rate ({sample_rate_hz / 2:g} Hz)"
        )


def check_band(lowest_hz: float, highest_hz: float, sample_rate_hz: float) -> None:
    """Refuse a band that is upside down, too narrow, or that the sample rate cannot carry.

    Raises
    ------
    SettingError
        Names what is wrong.
    """
    check_frequency("lowest", lowest_hz, sample_rate_hz)
    check_frequency("highest", highest_hz, sample_rate_hz)
    if highest_hz < NARROWEST_BAND * lowest_hz:
        raise SettingError(
            f"highest is {highest_hz:g} Hz; it must be at least {NARROWEST_BAND:g} times lowest "
            f"({lowest_hz:g} Hz)"
        )


def raised_cosine(position: np.ndarray[tuple[int], np.dtype[np.int64]], length: int) -> Block:
    """Return the gain at positions of a fade: 0 before position 0, 1 from ``length`` on."""
    done = np.clip((position + 0.5) / length, 0.0, 1.0)
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * done))
