"""Sections: the analogue prototypes that paths and tone controls are made of.

Second-order forms as in R. Bristow-Johnson, "Cookbook formulae for audio equalizer biquad filter
coefficients" (W3C Audio Working Group Note, 2021), before the bilinear transform; first-order
high-pass and low-pass are the RC forms, the first-order all-pass is (w - s) / (w + s).  All
frequencies in hertz.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.settings import check, from_table, refuse_unknown_keys, setting

KINDS = ("highpass", "lowpass", "peak", "lowshelf", "highshelf", "allpass")
BUTTERWORTH_Q = math.sqrt(0.5)

Polynomials = tuple[NDArray[np.float64], NDArray[np.float64]]


@dataclass(frozen=True, kw_only=True)
class Section:
    """One analogue section.

    ``highpass``, ``lowpass`` and ``allpass`` use ``corner_hz`` and are first order without ``q``,
    second order with it; ``peak`` uses ``centre_hz``, ``gain_db`` and ``q``; the shelves use
    ``corner_hz``, ``gain_db`` and ``q`` (0.707 where left out).
    """

    kind: str = setting(choices=KINDS, effect="shape of the section")
    corner_hz: float | None = setting(
        None, unit="Hz", low=0.1, high=30_000.0, effect="corner of a pass, shelf or all-pass"
    )
    centre_hz: float | None = setting(
        None, unit="Hz", low=0.1, high=30_000.0, effect="centre of a peak"
    )
    gain_db: float | None = setting(
        None, unit="dB", low=-30.0, high=30.0, effect="gain of a peak or shelf"
    )
    q: float | None = setting(
        None, low=0.05, high=20.0, effect="quality factor; left out: first order (passes)"
    )

    def __post_init__(self) -> None:
        check(self, self.kind if isinstance(self.kind, str) else "section")
        needed = _NEEDED[self.kind]
        for key in ("corner_hz", "centre_hz", "gain_db", "q"):
            value = getattr(self, key)
            if value is None and key in needed:
                raise SettingError(f"{self.kind}: {key} is missing")
            if value is not None and key not in needed and key != "q":
                raise SettingError(f"{self.kind}: {key} does not belong to a {self.kind}")

    @property
    def frequency_hz(self) -> float:
        """The corner or the centre."""
        return float(self.centre_hz if self.kind == "peak" else self.corner_hz)  # type: ignore[arg-type]

    def analogue(self) -> Polynomials:
        """Return numerator and denominator in s, highest power first, each of shape (3,)."""
        return polynomials(self.kind, self.frequency_hz, self.q, self.gain_db)


_NEEDED = {
    "highpass": ("corner_hz",),
    "lowpass": ("corner_hz",),
    "peak": ("centre_hz", "gain_db", "q"),
    "lowshelf": ("corner_hz", "gain_db"),
    "highshelf": ("corner_hz", "gain_db"),
    "allpass": ("corner_hz",),
}


def sections_from_list(rows: Sequence[Mapping[str, Any]], where: str) -> tuple[Section, ...]:
    """Make sections from a list of TOML tables.

    Raises
    ------
    SettingError
        Names the section by its number, the key, the value and what is allowed.
    """
    return tuple(_section(row, f"{where}: section {n}") for n, row in enumerate(rows, 1))


def _section(row: Mapping[str, Any], where: str) -> Section:
    refuse_unknown_keys(row, ["kind", "corner_hz", "centre_hz", "gain_db", "q"], where)
    try:
        return from_table(Section, row, "")
    except SettingError as error:
        raise SettingError(f"{where}: {error}") from None


def polynomials(
    kind: str, frequency_hz: float, q: float | None = None, gain_db: float | None = None
) -> Polynomials:
    """Return a section's numerator and denominator in s, highest power first, of shape (3,)."""
    both = coefficients(kind, frequency_hz, q, gain_db)
    return np.array(both[:3]), np.array(both[3:])


def coefficients(
    kind: str, frequency_hz: float, q: float | None = None, gain_db: float | None = None
) -> tuple[float, ...]:
    """Return a section's numerator, then its denominator: six numbers, highest power first."""
    w = 2.0 * math.pi * frequency_hz
    if kind in ("highpass", "lowpass", "allpass"):
        if q is None:
            tops = {"highpass": (1.0, 0.0), "lowpass": (0.0, w), "allpass": (-1.0, w)}
            return (0.0, *tops[kind], 0.0, 1.0, w)
        bottom = (1.0, w / q, w * w)
        if kind == "allpass":
            return (1.0, -bottom[1], bottom[2], *bottom)
        return (*((1.0, 0.0, 0.0) if kind == "highpass" else (0.0, 0.0, w * w)), *bottom)
    q = q if q is not None else BUTTERWORTH_Q
    a = 10.0 ** (float(gain_db or 0.0) / 40.0)
    if kind == "peak":
        return (1.0, w * a / q, w * w, 1.0, w / (a * q), w * w)
    low = (1.0, w * math.sqrt(a) / q, w * w * a)  # s^2 + (sqrt(A)/Q) s + A
    high = (a, w * math.sqrt(a) / q, w * w)  # A s^2 + (sqrt(A)/Q) s + 1
    top, bottom = (low, high) if kind == "lowshelf" else (high, low)
    return (a * top[0], a * top[1], a * top[2], *bottom)


def analogue_response(
    sections: Sequence[Section], frequency_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return the complex response of a cascade of analogue sections at the given frequencies."""
    w = 2.0 * np.pi * np.asarray(frequency_hz, dtype=float)
    response = np.ones(w.shape, dtype=complex)
    for section in sections:
        numerator, denominator = section.analogue()
        response *= _along_the_axis(numerator, w) / _along_the_axis(denominator, w)
    return response


def _along_the_axis(
    polynomial: NDArray[np.float64], w: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return a polynomial in s at s = j w; in real numbers, which takes half the time."""
    square, linear, constant = polynomial
    values = np.empty(w.shape, dtype=complex)
    values.real = constant - square * w * w
    values.imag = linear * w
    return values
