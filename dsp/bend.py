"""Mild distortion somewhere on a path, found from the harmonics of a sweep.

The model: u = P{x}, v = u + a2 u^2 + a3 u^3, m = Q{v}, with P Q the path.  Which of the fitted
sections lie before the bend (P) and which behind it (Q) is not known; each choice foretells how
the harmonics run over frequency, with their phase, and the measured ones tell the choices apart:
a sine of depth d at f gives harmonics k at k f,

    r2(f) = -j (a2 d / 2) P(f)^2 Q(2f) |H(f)| / H(f)^2
    r3(f) = -  (a3 d^2 / 4) P(f)^3 Q(3f) |H(f)|^2 / H(f)^3     over the fundamental,

phases as in Harmonic (from sin^2 p = (1 - cos 2p) / 2 and sin^3 p = (3 sin p - sin 3p) / 4).

Fitted sections are not always those that the transmitter has: two filters with the bend between
them may have been fitted as one.  So each likely choice is also tried with a wide peak of a decibel
or two behind the bend and its inverse before it; what the harmonics allow of that is likely too.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.sweep_response import Harmonic, SweepResponse

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LOOKED_AT_HZ = (60.0, 3000.0)  # fundamentals; below, hum and the path's bottom are in the way
FLOOR = 3e-4  # of a harmonic over the fundamental: what the sweep itself may add
LIKELY = 1.5  # choices whose error is no more than this times the least one are kept ...
LIKELY_BY = 20.0  # ... and those that are worse by no more than this
MOST_KEPT = 4
MOST_SPLIT = 8  # sections that are tried on either side; of more, high-passes and the steepest
TILTS_HZ = (350.0, 700.0, 1400.0, 2500.0, 4000.0)  # centres of what may have changed sides ...
TILTS_DB, TILTS_Q = (-2.0, -1.0, 1.0, 2.0), 1.0
CERTAIN = 3.0  # a coefficient within so many standard deviations of zero may be zero


@dataclass(frozen=True)
class Bend:
    """One choice of where a path is bent, and how much.

    Attributes
    ----------
    before, behind : Path
        The sections on either side.
    second, third : float
        a2 and a3 of full modulation.
    cost : float
        Squared error of the harmonics, in variances.
    """

    before: Path
    behind: Path
    second: float
    third: float
    cost: float

    def apply(self, u: Floats) -> Floats:
        """Return the bent waveform."""
        return np.asarray(u * (1.0 + u * (self.second + u * self.third)))


@dataclass(frozen=True)
class Bends:
    """What is known of a path's distortion.

    Attributes
    ----------
    likely : tuple of Bend
        Choices that explain the harmonics about as well as the best one.
    unexplained : tuple of (order, ratio)
        What they leave of each harmonic over the fundamental, at the sweep's depth, beyond noise.
    """

    likely: tuple[Bend, ...]
    unexplained: tuple[tuple[int, float], ...]


def find_bends(path: Path, response: SweepResponse, depth: float, sign: float) -> Bends:
    """Find where a path is bent.

    Parameters
    ----------
    path : Path
        As fitted.
    response : SweepResponse
        Holds the harmonics.
    depth : float
        Modulation of the sweep at 1 kHz, 1.0 = 100 %.
    sign : float
        1.0 if up in the capture is up at the antenna, -1.0 if not.
    """
    measured = {one.order: one for one in response.harmonics}
    choices = [
        _bend(path, before, behind, measured, depth, sign) for before, behind in _splits(path)
    ]
    likely = _likely(choices)
    left = tuple(
        (order, _unexplained(harmonic, _foretold(likely[0], path, harmonic, depth, sign)))
        for order, harmonic in measured.items()
    )
    kept = _distinct(likely)
    tilted = [
        _bend(path, before, behind, measured, depth, sign)
        for one in kept
        for before, behind in _tilted(one)
    ]
    more = [one for one in _distinct(_likely([*kept, *tilted])) if one not in kept]
    return Bends((*kept, *more), left)


def _likely(choices: Sequence[Bend]) -> list[Bend]:
    """Return those that explain the harmonics about as well as the best one, best first."""
    least = min(one.cost for one in choices)
    likely = [one for one in choices if one.cost <= max(LIKELY * least, least + LIKELY_BY)]
    return sorted(likely, key=lambda one: one.cost)


def _tilted(bend: Bend) -> Iterator[tuple[Path, Path]]:
    """Yield what is before and behind a bend with a wide peak moved from one side to the other."""
    for centre_hz, gain_db in product(TILTS_HZ, TILTS_DB):
        before = _with_peak(bend.before, centre_hz, -gain_db)
        yield before, _with_peak(bend.behind, centre_hz, gain_db)


def _with_peak(path: Path, centre_hz: float, gain_db: float) -> Path:
    peak = Section(kind="peak", centre_hz=centre_hz, gain_db=gain_db, q=TILTS_Q)
    return replace(path, sections=(*path.sections, peak))


def _splits(path: Path) -> Iterator[tuple[Path, Path]]:
    """Yield all ways to have some of the sections before the bend and the others behind it."""
    all_of_them = range(len(path.sections))
    moved = sorted(all_of_them, key=lambda n: -_acts(path, n))[:MOST_SPLIT]
    for count in range(len(moved) + 1):
        for before in combinations(moved, count):
            rest = [n for n in all_of_them if n not in before]
            yield _part(path, before, "before"), _part(path, rest, "behind")


def _acts(path: Path, number: int) -> float:
    """Tell how much a section changes between the frequencies looked at.

    A high-pass always matters: behind a bend it takes out the DC that the bend makes.
    """
    if path.sections[number].kind == "highpass":
        return math.inf
    at_hz = np.geomspace(*LOOKED_AT_HZ, 30)
    own = Path(name="", sections=(path.sections[number],)).response(at_hz)
    return float(np.abs(own - 1.0).max())


def _part(path: Path, numbers: Sequence[int], name: str) -> Path:
    return Path(name=name, sections=tuple(path.sections[n] for n in numbers))


def _bend(
    path: Path,
    before: Path,
    behind: Path,
    measured: dict[int, Harmonic],
    depth: float,
    sign: float,
) -> Bend:
    """Fit both coefficients of one choice."""
    found, cost = {2: 0.0, 3: 0.0}, 0.0
    for order in found:
        if order not in measured:
            continue
        one = _within(measured[order])
        unit = _unit(order, path, before, behind, one.frequency_hz, depth, sign)
        weight = 1.0 / np.hypot(one.noise, FLOOR)
        power = float(np.sum(np.abs(unit * weight) ** 2))
        fitted = float(np.sum((one.ratio * unit.conj()).real * weight**2)) / power
        deviation = math.sqrt(0.5 / power)
        found[order] = fitted if abs(fitted) > CERTAIN * deviation else 0.0
        cost += float(np.sum(np.abs((one.ratio - found[order] * unit) * weight) ** 2))
    return Bend(before, behind, found[2], found[3], cost)


def _within(harmonic: Harmonic) -> Harmonic:
    kept = (harmonic.frequency_hz >= LOOKED_AT_HZ[0]) & (harmonic.frequency_hz <= LOOKED_AT_HZ[1])
    return Harmonic(
        order=harmonic.order,
        frequency_hz=harmonic.frequency_hz[kept],
        ratio=harmonic.ratio[kept],
        noise=harmonic.noise[kept],
    )


def _unit(
    order: int,
    path: Path,
    before: Path,
    behind: Path,
    frequency_hz: Floats,
    depth: float,
    sign: float,
) -> Complexes:
    """Return what a coefficient of 1 would give."""
    whole = path.response(frequency_hz)
    shape = before.response(frequency_hz) ** order * behind.response(order * frequency_hz)
    shape = shape * np.abs(whole) ** (order - 1) / whole**order
    # Turning the capture over turns the phase of the fundamental by pi, of harmonic k by k pi.
    factor = -0.5j * depth * sign if order == 2 else -0.25 * depth**2
    return np.asarray(factor * shape)


def _foretold(bend: Bend, path: Path, harmonic: Harmonic, depth: float, sign: float) -> Complexes:
    coefficients = {2: bend.second, 3: bend.third}
    if harmonic.order not in coefficients:
        return np.zeros(len(harmonic.frequency_hz), dtype=complex)
    unit = _unit(harmonic.order, path, bend.before, bend.behind, harmonic.frequency_hz, depth, sign)
    return coefficients[harmonic.order] * unit


def _unexplained(harmonic: Harmonic, foretold: Complexes) -> float:
    """Return the rms of what is left beyond noise, 0 if it may all be noise."""
    kept = (harmonic.frequency_hz >= LOOKED_AT_HZ[0]) & (harmonic.frequency_hz <= LOOKED_AT_HZ[1])
    if not kept.any():
        return 0.0
    left = np.abs((harmonic.ratio - foretold)[kept]) ** 2
    noise = harmonic.noise[kept] ** 2 + FLOOR**2
    # Of n values of noise alone the mean power scatters by one over the root of n.
    chance = 1.0 + 3.0 / math.sqrt(len(left))
    excess = float(left.mean() - chance * noise.mean())
    return math.sqrt(excess) if excess > 0.0 else 0.0


def _distinct(likely: list[Bend]) -> tuple[Bend, ...]:
    """Keep the best ones, and leave out those without any distortion but one."""
    bent = [one for one in likely if one.second != 0.0 or one.third != 0.0]
    return tuple((bent or likely)[:MOST_KEPT])
