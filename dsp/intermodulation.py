"""Two steady tones in the envelope: their products p f1 + q f2, folded where they are negative.

A product below zero is a line at its positive frequency: of 700 and 1900 Hz, 2 f1 - f2 = -500 Hz
lands on +500 Hz.  Whoever looks for lines from 0 Hz up only, and drops what is negative, reads half
of the third order.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from carrierfloor.dsp.harmonics import CERTAIN, line_error
from carrierfloor.dsp.sine_fit import fit_sines
from carrierfloor.dsp.stage import Block

HIGHEST_ORDER = 5
APART_TURNS = 4.0  # in the stretch, by which lines must differ to be told apart under the weight
# Ratio of the lower tone's amplitude to the upper one's: 4 and 1 by the standard, with room for a
# path that is not flat.
MODULATION_RATIO = (2.8, 5.7)
DIFFERENCE_RATIO = (0.7, 1.43)


@dataclass(frozen=True, kw_only=True)
class Product:
    """The line at |p f1 + q f2|; amplitude 1.0 = 100 % modulation."""

    p: int
    q: int
    frequency_hz: float
    amplitude: float
    folded: bool  # p f1 + q f2 is negative
    shared_with: tuple[tuple[int, int], ...] = ()  # other p, q at the same frequency

    @property
    def order(self) -> int:
        """Of the distortion that makes it."""
        return abs(self.p) + abs(self.q)


@dataclass(frozen=True, kw_only=True)
class TwoTones:
    """Two steady tones; ``low_hz`` < ``high_hz``, amplitudes are peaks, 1.0 = 100 % modulation."""

    low_hz: float
    high_hz: float
    low: float
    high: float
    mean: float  # of m
    products: tuple[Product, ...]  # by order, as far as the recording goes
    rest_rms: float  # of what is none of these
    error: float  # standard error of an amplitude, from the rest

    @property
    def suits(self) -> str | None:
        """Which standard pair the tones are: ``modulation`` (4:1), ``difference`` (1:1)."""
        ratio = self.low / self.high
        if MODULATION_RATIO[0] <= ratio <= MODULATION_RATIO[1]:
            return "modulation"
        return "difference" if DIFFERENCE_RATIO[0] <= ratio <= DIFFERENCE_RATIO[1] else None

    def amplitude_of(self, p: int, q: int) -> float | None:
        """Return the amplitude of a product; ``None`` if it was out of reach or not alone."""
        for product in self.products:
            if (product.p, product.q) in ((p, q), (-p, -q)):
                return None if product.shared_with else product.amplitude
        return None

    def is_certain(self, product: Product) -> bool:
        """Tell whether a product stands clear of the noise."""
        return product.amplitude > CERTAIN * self.error

    @property
    def modulation_second(self) -> float | None:
        """Modulation distortion of second order: (a(f2 - f1) + a(f2 + f1)) / a(f2).

        IEC 60268-3, 14.12.7; the tones are 4:1, as in the older SMPTE method.
        """
        return self._over(self.high, (1, -1), (1, 1))

    @property
    def modulation_third(self) -> float | None:
        """The same of third order: (a(f2 - 2 f1) + a(f2 + 2 f1)) / a(f2)."""
        return self._over(self.high, (2, -1), (2, 1))

    @property
    def difference_second(self) -> float | None:
        """Difference-frequency distortion: a(f2 - f1) / (a(f1) + a(f2)); IEC 60268-3, 14.12.8."""
        return self._over(self.low + self.high, (1, -1))

    @property
    def difference_third(self) -> float | None:
        """The same of third order: (a(2 f1 - f2) + a(2 f2 - f1)) / (a(f1) + a(f2))."""
        return self._over(self.low + self.high, (2, -1), (1, -2))

    @property
    def third_order_db(self) -> float | None:
        """The stronger of 2 f1 - f2 and 2 f2 - f1, over the mean level of the tones in dB."""
        lines = [self.amplitude_of(2, -1), self.amplitude_of(1, -2)]
        known = [line for line in lines if line is not None]
        if not known:
            return None
        tone = math.sqrt(self.low * self.high)
        return 20.0 * math.log10(max(max(known) / tone, 1e-10))

    def _over(self, reference: float, *pairs: tuple[int, int]) -> float | None:
        lines = [self.amplitude_of(p, q) for p, q in pairs]
        if any(line is None for line in lines):
            return None
        return sum(line for line in lines if line is not None) / reference


def two_tones(
    samples: Block, rate_hz: float, low_hz: float, high_hz: float, highest_hz: float
) -> TwoTones:
    """Measure two tones whose frequencies are known.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        m, four periods of the lowest product at least.
    rate_hz : float
        Of the samples.
    low_hz, high_hz : float
        Of the tones, to a small part of one turn in the stretch.
    highest_hz : float
        What the recording passes; products beyond are not looked at.
    """
    apart_hz = APART_TURNS * rate_hz / len(samples)
    wanted = _products(low_hz, high_hz, highest_hz, apart_hz)
    lines_hz = np.array([low_hz, high_hz, *(product.frequency_hz for product in wanted)])
    fit = fit_sines(samples, rate_hz, lines_hz)
    rest_rms = float(np.sqrt(np.mean(np.square(fit.rest(samples, rate_hz)))))
    found = np.abs(fit.amplitude)
    return TwoTones(
        low_hz=float(low_hz),
        high_hz=float(high_hz),
        low=float(found[0]),
        high=float(found[1]),
        mean=fit.mean,
        products=tuple(
            replace(product, amplitude=float(amplitude))
            for product, amplitude in zip(wanted, found[2:], strict=True)
        ),
        rest_rms=rest_rms,
        error=line_error(rest_rms, len(samples)),
    )


def _products(low_hz: float, high_hz: float, highest_hz: float, apart_hz: float) -> list[Product]:
    """List the products in reach; those that fall on one line are one, named by its lowest order.

    Those that fall on a tone or on zero are left out: nobody can see them.
    """
    found: list[Product] = []
    orders = [
        (p, q)
        for p in range(HIGHEST_ORDER + 1)
        for q in range(-HIGHEST_ORDER, HIGHEST_ORDER + 1)
        if 2 <= p + abs(q) <= HIGHEST_ORDER and (p > 0 or q > 0)
    ]
    for p, q in sorted(orders, key=lambda pair: pair[0] + abs(pair[1])):
        at_hz = p * low_hz + q * high_hz
        line_hz = abs(at_hz)
        taken = (0.0, low_hz, high_hz)
        if line_hz > highest_hz or any(abs(line_hz - hz) < apart_hz for hz in taken):
            continue
        same = [n for n, one in enumerate(found) if abs(one.frequency_hz - line_hz) < apart_hz]
        if same:
            at = same[0]
            found[at] = replace(found[at], shared_with=(*found[at].shared_with, (p, q)))
        else:
            found.append(
                Product(
                    p=p, q=q, frequency_hz=float(line_hz), amplitude=0.0, folded=bool(at_hz < 0.0)
                )
            )
    return found
