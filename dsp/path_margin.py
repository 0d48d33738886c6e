"""How far the true antenna may go beyond what the limiter foretells with a measured path."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.bend import Bend, find_bends
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.misfit import BY_CHANCE, SMOOTHED
from carrierfloor.dsp.path import REFERENCE_HZ
from carrierfloor.dsp.path_fit import PathFit
from carrierfloor.dsp.rig import Modulation
from carrierfloor.dsp.speech_like import held
from carrierfloor.dsp.sweep_response import SweepResponse
from carrierfloor.dsp.waveform_through import (
    frequencies_hz,
    highest,
    spectrum,
    spectrum_of,
    waveform,
)

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LARGEST_PCT = 20.0  # what a rig file may hold
LEAST_PASSED = 0.03  # of the gain at 1 kHz: what is measured below is mostly noise
ROUNDS = 4  # a mild bend is all but linear in the level
NEAR, FEWEST_NEAR = 0.85, 100  # of the limit: what counts as a peak; samples
TONE_SAMPLES = 128  # of one period
DEPTH_DOUBT = 1.1  # a depth read from a scope may be out by so much; shallower is more distorted


@dataclass(frozen=True, kw_only=True)
class Excess:
    """What could add to a peak at its limit, in % modulation."""

    response_pct: float  # fitted against true linear response
    distortion_pct: float  # second and third order, scaled from the sweep's depth to the limit
    hum_pct: float

    @property
    def total_pct(self) -> float:
        """All of it together."""
        return self.response_pct + self.distortion_pct + self.hum_pct


@dataclass(frozen=True, kw_only=True)
class PathMargin:
    """What is to be kept free under the limits.

    Attributes
    ----------
    negative_margin_pct, positive_margin_pct : float
        For the rig file's [modulation], rounded up to 0.1 %.
    negative, positive : Excess
        What they are made of.
    """

    negative_margin_pct: float
    positive_margin_pct: float
    negative: Excess
    positive: Excess


def path_margin(
    fit: PathFit,
    response: SweepResponse,
    modulation: Modulation,
    depth: float,
    *,
    capture_polarity: str | None = None,
) -> PathMargin:
    """Work out the margin of a measured path.

    Speech that the limiter holds within the limits on the fitted path goes through what the
    transmitter may be instead: other responses that the measurement allows, and the path with the
    distortion that its harmonics show.  The level is taken to be right for the negative limit, as
    the command ``level`` finds it: a 1 kHz tone sent for the limit makes a trough of the limit.

    Parameters
    ----------
    fit : PathFit
        From :func:`path_fit.fit_path`.
    response : SweepResponse
        What it was fitted to.
    modulation : Modulation
        The rig's limits.
    depth : float
        Modulation of the sweep at 1 kHz, 1.0 = 100 %, known to a tenth: distortion and hum are
        scaled from there; the linear path does not depend on it.
    capture_polarity : str or None
        "normal" if up in the capture is up at the antenna, "inverted" if it is down; ``None`` if
        nobody knows: then the worse counts.

    Raises
    ------
    SettingError
        If the margin would be more than a rig file may hold.
    """
    limits = (modulation.negative_limit_pct / 100.0, modulation.positive_limit_pct / 100.0)
    held_bins = spectrum(held(fit.path, *limits))
    by_response = _by_response(fit, held_bins, limits)
    shallowest = depth / DEPTH_DOUBT
    by_distortion = _by_distortion(fit, response, held_bins, limits, shallowest, capture_polarity)
    hum = depth * sum(line.ratio for line in response.hum)
    negative, positive = (
        Excess(response_pct=100.0 * one, distortion_pct=100.0 * two, hum_pct=100.0 * hum)
        for one, two in zip(by_response, by_distortion, strict=True)
    )
    return PathMargin(
        negative_margin_pct=_margin_pct("negative", negative),
        positive_margin_pct=_margin_pct("positive", positive),
        negative=negative,
        positive=positive,
    )


def _margin_pct(which: str, excess: Excess) -> float:
    """Round up, and refuse what no rig file may hold."""
    margin = math.ceil(10.0 * excess.total_pct - 1e-6) / 10.0
    if margin > LARGEST_PCT:
        raise SettingError(
            f"{which}_margin_pct would be {margin:g} % (response {excess.response_pct:.1f}, "
            f"distortion {excess.distortion_pct:.1f}, hum {excess.hum_pct:.1f}); it may be "
            f"{LARGEST_PCT:g} % at most: mend what distorts or hums, or measure with less noise"
        )
    return margin


def _extremes(bins: Complexes) -> tuple[float, float]:
    """Return trough and crest of a waveform."""
    wave = waveform(bins)
    return highest(-wave), highest(wave)


def _by_response(fit: PathFit, bins: Complexes, limits: tuple[float, float]) -> tuple[float, float]:
    """Return how far trough and crest go beyond the limits on other possible paths."""
    at_hz = frequencies_hz(bins)
    possible = [path.response(at_hz) for path in fit.tolerance_paths]
    possible.append(fit.path.response(at_hz) * _misfit(fit, at_hz))
    found = [_extremes(bins * response) for response in possible]
    return (
        max(0.0, *(trough - limits[0] for trough, _ in found)),
        max(0.0, *(crest - limits[1] for _, crest in found)),
    )


def _misfit(fit: PathFit, at_hz: Floats) -> Complexes:
    """Return measured over fitted response, as far as it is more than noise."""
    ones = np.ones(SMOOTHED)
    off = np.convolve(fit.measured / fit.fitted - 1.0, ones / SMOOTHED, "same")
    noise = np.convolve((fit.noise / np.abs(fit.fitted)) ** 2, ones / SMOOTHED**2, "same")
    off *= np.clip(1.0 - BY_CHANCE * noise / (np.abs(off) ** 2 + 1e-30), 0.0, 1.0)
    # Where next to nothing passes, a ratio says nothing.
    off *= np.minimum(1.0, np.abs(fit.fitted) / LEAST_PASSED)
    known = np.log(fit.frequency_hz)
    x = np.log(np.maximum(at_hz, 1e-3))
    real, imaginary = (np.interp(x, known, part, 0.0, 0.0) for part in (off.real, off.imag))
    return np.asarray(1.0 + real + 1j * imaginary)


def _by_distortion(
    fit: PathFit,
    response: SweepResponse,
    bins: Complexes,
    limits: tuple[float, float],
    depth: float,
    capture_polarity: str | None,
) -> tuple[float, float]:
    """Return how much lower trough and crest must be aimed for because of distortion."""
    signs = {"normal": (1.0,), "inverted": (-1.0,), None: (1.0, -1.0)}[capture_polarity]
    straight = waveform(bins * fit.path.response(frequencies_hz(bins)))
    sides = (_Side.of(straight, -1.0, limits[0]), _Side.of(straight, 1.0, limits[1]))
    worst = [0.0, 0.0]
    for sign in signs:
        bends = find_bends(fit.path, response, depth, sign)
        for bend in bends.likely:
            if bend.second == 0.0 and bend.third == 0.0:
                continue
            bent = _Bent(bend, bins, straight)
            for number, lower in enumerate(_lowered(bent, sides)):
                worst[number] = max(worst[number], lower)
    rest = [
        sum(ratio * limit * (limit / depth) ** (order - 1) for order, ratio in bends.unexplained)
        for limit in limits
    ]
    return worst[0] + rest[0], worst[1] + rest[1]


@dataclass(frozen=True)
class _Side:
    """Trough or crest of the held waveform on the path without its bend."""

    sign: float  # -1 the trough, 1 the crest
    limit: float
    near: NDArray[np.intp]  # samples close to the limit ...
    beyond: Floats  # ... and how far beyond it, 1.0 = the limit

    @classmethod
    def of(cls, straight: Floats, sign: float, limit: float) -> "_Side":
        reached = straight * (sign / limit)
        near = np.flatnonzero(reached > NEAR)
        return cls(sign, limit, near, reached[near] - 1.0)


def _lowered(bent: "_Bent", sides: tuple[_Side, _Side]) -> list[float]:
    """Return by how much to stay under each limit, so that the bent waveform holds it."""
    level = bent.level(sides[0].limit)
    lowered = []
    for side in sides:
        scale = 1.0
        for _ in range(ROUNDS):
            scale = min(1.0, scale * side.limit / bent.reach(scale * level, side))
            if scale == 1.0:
                break  # and would stay there
        lowered.append(side.limit * (1.0 - scale))
    return lowered


class _Bent:
    """The held waveform on a bent path, at any level.

    What lies behind the bend is linear, so each power that the bend adds goes through it once, and
    a level weighs them.
    """

    def __init__(self, bend: Bend, bins: Complexes, straight: Floats) -> None:
        self._bend = bend
        at_hz = frequencies_hz(bins)
        inside = waveform(bins * bend.before.response(at_hz))
        behind = bend.behind.response(at_hz)
        square = inside * inside
        self._straight = straight
        self._second = bend.second * waveform(spectrum_of(square) * behind)
        self._third = bend.third * waveform(spectrum_of(square * inside) * behind)

    def reach(self, level: float, side: _Side) -> float:
        """Return how far the waveform goes down or up at a level.

        Near its peaks the bent waveform follows the straight one on a curve, and is scattered
        about it by what else the speech does just then.  The largest scatter counts as if it had
        met the highest peak: other speech will bring the two together.
        """
        wave = level * self._third
        for power in (self._second, self._straight):
            wave += power
            wave *= level
        wave *= side.sign
        if len(side.near) < FEWEST_NEAR:
            return highest(wave)
        near = wave[side.near]
        curve = np.polyfit(side.beyond, near, 2)
        scatter = near - np.polyval(curve, side.beyond)
        return max(highest(wave), float(curve[-1] + scatter.max()))

    def level(self, limit: float) -> float:
        """Return the level of a rig set so that a tone for the limit has a trough there."""
        turns = np.arange(TONE_SAMPLES) / TONE_SAMPLES
        orders = REFERENCE_HZ * np.arange(TONE_SAMPLES // 2 + 1, dtype=np.float64)
        behind = self._bend.behind.response(orders)
        amplitude = limit
        for _ in range(ROUNDS):
            bent = self._bend.apply(amplitude * np.sin(2.0 * np.pi * turns))
            trough = highest(-fft.irfft(fft.rfft(bent) * behind, TONE_SAMPLES))
            amplitude *= limit / trough
        return amplitude / limit
