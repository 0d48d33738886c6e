"""What the antenna sees, computed a second way that shares no code with carrierfloor.

Card samples go through the *analogue* path as a multiplication in the frequency domain and are
then interpolated by zero-padding the spectrum.  Nothing here is a digital filter, so an error of
the digital sections inside the limiter shows.

The second-order forms are those of R. Bristow-Johnson, "Cookbook formulae for audio equalizer
biquad filter coefficients" (W3C Audio Working Group Note, 2021), before the bilinear transform,
written with the normalised frequency s = j f / f0.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[np.float64]
Spectrum = NDArray[np.complex128]
SectionRow = Mapping[str, Any]  # a section as in a rig file: kind, corner_hz or centre_hz, ...

BEFORE_S = 0.5  # silence looked at before the first sample ...
AFTER_S = 0.5  # ... and after the last one
DECAY_NEPERS = 25.0  # and the slowest section then rings out to exp(-25), 217 dB down
CUT_OFF = 0.0  # the envelope at which a plate-modulated stage shuts off
OVERSAMPLING = 32


@dataclass(frozen=True)
class Verdict:
    """The extremes of the modulation at the antenna."""

    trough: float  # depth of the deepest trough; 1.0 is carrier cut-off
    crest: float  # height of the highest crest; 1.0 doubles the envelope
    cutoffs: int  # how many times the envelope reached zero


def response(sections: Sequence[SectionRow], frequency_hz: Array) -> Spectrum:
    """Return the complex response of a path, scaled to magnitude 1 at 1 kHz."""
    at_1_khz = abs(cascade(sections, np.array([1000.0]))[0])
    return cascade(sections, np.asarray(frequency_hz, dtype=float)) / float(at_1_khz)


def cascade(sections: Sequence[SectionRow], frequency_hz: Array) -> Spectrum:
    """Return the product of the sections' responses, not normalised."""
    product = np.ones(frequency_hz.shape, dtype=complex)
    for row in sections:
        s = 1j * frequency_hz / _frequency_hz(row)
        top, bottom = _polynomials(row)
        product *= np.polyval(top, s) / np.polyval(bottom, s)
    return product


def _polynomials(row: SectionRow) -> tuple[list[float], list[float]]:
    """Return numerator and denominator in s = j f / f0, highest power first."""
    kind = row["kind"]
    if kind in ("highpass", "lowpass") and "q" not in row:  # one pole: RC
        return ([1.0, 0.0] if kind == "highpass" else [1.0]), [1.0, 1.0]
    if kind == "allpass" and "q" not in row:
        return [-1.0, 1.0], [1.0, 1.0]
    q = float(row.get("q", math.sqrt(0.5)))
    if kind == "allpass":
        return [1.0, -1 / q, 1.0], [1.0, 1 / q, 1.0]
    if kind == "highpass":
        return [1.0, 0.0, 0.0], [1.0, 1 / q, 1.0]
    if kind == "lowpass":
        return [1.0], [1.0, 1 / q, 1.0]
    a = 10 ** (float(row["gain_db"]) / 40)
    if kind == "peak":
        return [1.0, a / q, 1.0], [1.0, 1 / (a * q), 1.0]
    middle = math.sqrt(a) / q
    if kind == "lowshelf":
        return [a, a * middle, a * a], [a, middle, 1.0]
    if kind == "highshelf":
        return [a * a, a * middle, a], [1.0, middle, a]
    raise ValueError(f"unknown section {kind!r}")


def _frequency_hz(row: SectionRow) -> float:
    return float(row["centre_hz"] if row["kind"] == "peak" else row["corner_hz"])


def ring_s(sections: Sequence[SectionRow]) -> float:
    """Return how long the slowest section rings until it is 217 dB down."""
    slowest = [_decay_per_s(row) for row in sections]
    return DECAY_NEPERS / min(slowest) if slowest else 0.0


def _decay_per_s(row: SectionRow) -> float:
    """Return the smallest distance of a pole from the imaginary axis."""
    poles = np.roots(_polynomials(row)[1])
    return 2 * math.pi * _frequency_hz(row) * float(np.abs(poles.real).min())


def spectrum(
    samples: Array, rate_hz: float, full_modulation: float, sections: Sequence[SectionRow]
) -> tuple[Spectrum, int, int]:
    """Return the padded spectrum of the modulation.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        What the sound card is given, 1.0 = full scale.
    rate_hz : float
        Its sample rate.
    full_modulation : float
        The sample value that makes +100 % at 1 kHz; negative where the polarity is inverted.
    sections : sequence of mappings
        The analogue path.

    Returns
    -------
    spectrum : ndarray
        One-sided, of the padded modulation after the path.
    count : int
        Number of samples it stands for.
    first : int
        Index of the first sample given, in them.
    """
    before = math.ceil(BEFORE_S * rate_hz)
    after = math.ceil((AFTER_S + ring_s(sections)) * rate_hz)
    count = fft.next_fast_len(before + len(samples) + after, real=True)
    count += count % 2
    padded = np.zeros(count)
    padded[before : before + len(samples)] = np.asarray(samples, dtype=float) / full_modulation
    bins = fft.rfft(padded)
    bins *= response(sections, fft.rfftfreq(count, 1 / rate_hz))
    return bins, count, before


def phases(bins: Spectrum, count: int, oversampling: int) -> Iterator[Array]:
    """Yield the waveform at each of the instants n + k / oversampling, k = 0, 1, ...

    Zero-padding the spectrum, one phase at a time: a delay is a turn of the spectrum.
    """
    step = np.exp(1j * np.pi * np.arange(len(bins)) / (count // 2) / oversampling)
    turned = bins.copy()
    for _ in range(oversampling):
        yield fft.irfft(turned, count)
        turned *= step


def modulation(
    samples: Array,
    rate_hz: float,
    full_modulation: float,
    sections: Sequence[SectionRow],
    oversampling: int = 8,
) -> Array:
    """Return the modulation m(t) at the antenna on a fine grid, pads included."""
    bins, count, _ = spectrum(samples, rate_hz, full_modulation, sections)
    fine = np.empty((count, oversampling))
    for k, phase in enumerate(phases(bins, count, oversampling)):
        fine[:, k] = phase
    return fine.ravel()


def judge(
    samples: Array,
    rate_hz: float,
    full_modulation: float,
    sections: Sequence[SectionRow],
    oversampling: int = OVERSAMPLING,
) -> Verdict:
    """Find the deepest trough and the highest crest at the antenna, and count the cut-offs.

    Looks from half a second before the first sample to half a second after the last one and
    beyond, until the path has rung out.  Parameters as for :func:`spectrum`.
    """
    if not np.isfinite(samples).all():
        raise ValueError("a sample is not finite")
    bins, count, _ = spectrum(samples, rate_hz, full_modulation, sections)
    low = high = 0.0
    for phase in phases(bins, count, oversampling):
        low, high = min(low, float(phase.min())), max(high, float(phase.max()))
    cutoffs = 0
    if 1.0 + low <= CUT_OFF:
        cutoffs = count_cutoffs(modulation(samples, rate_hz, full_modulation, sections))
    return Verdict(trough=-low, crest=high, cutoffs=cutoffs)


def judge_paths(
    samples: Array,
    rate_hz: float,
    full_modulation: float,
    paths: Sequence[Sequence[SectionRow]],
    oversampling: int = OVERSAMPLING,
) -> Verdict:
    """Judge several paths (none = flat) and return the worst of each figure."""
    verdicts = [
        judge(samples, rate_hz, full_modulation, path, oversampling) for path in (paths or [[]])
    ]
    return Verdict(
        trough=max(v.trough for v in verdicts),
        crest=max(v.crest for v in verdicts),
        cutoffs=max(v.cutoffs for v in verdicts),
    )


def count_cutoffs(modulation_fine: Array) -> int:
    """Count the separate stretches in which the envelope 1 + m is at or below zero."""
    off = np.concatenate(([False], 1.0 + modulation_fine <= CUT_OFF))
    return int(np.count_nonzero(off[1:] & ~off[:-1]))


def emission_dbc(
    modulation_fine: Array,
    fine_rate_hz: float,
    beyond_hz: float,
    duration_s: float,
    envelope_floor: float = CUT_OFF,
) -> float:
    """Return the power of both sidebands beyond an offset from the carrier, in dBc.

    The envelope is e = max(floor, 1 + m): a stage that is cut off stays off, it does not
    reverse its phase.  Mean over ``duration_s``, relative to the unmodulated carrier.

    Parameters
    ----------
    modulation_fine : ndarray, shape (n,)
        From :func:`modulation`, silent at both ends.
    fine_rate_hz : float
        Its rate.
    beyond_hz : float
        Offset from the carrier; everything at and beyond it counts.
    duration_s : float
        Length of the audio itself, without the pads.
    envelope_floor : float
        Where an ideal diode would hold the envelope; 0 for none.
    """
    sidebands = np.maximum(envelope_floor, 1.0 + modulation_fine) - 1.0
    bins = fft.rfft(sidebands)
    beyond = bins[math.ceil(beyond_hz * len(sidebands) / fine_rate_hz) :]
    # Parseval: sum of squares in time = (2/n) sum |X|^2 over the one-sided bins; e = 1 + a cos wt
    # has the two sideband lines a/2, together a^2/2 of the carrier's power: the mean square of a.
    energy = 2.0 / len(sidebands) * float(np.sum(np.abs(beyond) ** 2)) / fine_rate_hz
    return 10.0 * math.log10(max(energy / duration_s, 1e-30))
