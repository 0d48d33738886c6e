"""Recognise an exponential sweep by its samples, so that its file is all that must be kept."""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.signals import Ramped, Sweep
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_edges import Edges, end_and_ramp, start_and_sign
from carrierfloor.dsp.sweep_phase import Phase, first_guess, follows, no_sweep, refined

SILENT = 1e-4  # peak, -80 dBFS
ACTIVE = 0.6  # of the peak: beyond the ramps
EDGE_PASSES = 3  # phase and ramps in turn
LARGEST_RESIDUAL = 0.02  # rms of what is no sweep, over the sweep's
LONGEST_RAMP_S = 1.1


@dataclass(frozen=True, kw_only=True)
class KnownSweep:
    """A sweep as it was played: what `tone sweep` writes, with silence around it or without.

    Attributes
    ----------
    sweep : Sweep
        Its frequencies f1 and f2, its duration T and its sample rate; L is
        ``sweep.time_constant_s``.
    peak : float
        Amplitude, with sign, 1.0 = full scale.
    ramp_samples : int
        Length of the raised cosine at either end.
    first_sample : int
        Where it begins in the recording it was recognised in.
    """

    sweep: Sweep
    peak: float
    ramp_samples: int
    first_sample: int = 0

    @property
    def end_sample(self) -> int:
        """The first sample after it."""
        return self.first_sample + self.sweep.samples

    @property
    def played(self) -> Ramped:
        """The sweep with its level and ramps, from its own first sample on."""
        return Ramped(
            signal=self.sweep,
            peak=self.peak,
            ramp_samples=self.ramp_samples,
            samples=self.sweep.samples,
        )


def recognise(samples: Block, rate_hz: float) -> KnownSweep:
    """Find the exponential sweep in a recording of nothing else.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The file that was played; any level and sign, 16 bit are enough, silence around it.
    rate_hz : float
        Its sample rate.

    Returns
    -------
    KnownSweep

    Raises
    ------
    AudioError
        If it is silent, or holds anything but an exponential sweep.
    """
    peak = float(np.abs(samples).max(initial=0.0))
    if not math.isfinite(peak):
        raise AudioError("the sweep has samples that are no numbers; write it anew")
    if peak < SILENT:
        raise AudioError("the sweep is silent; give the file that was played")
    loud = np.flatnonzero(np.abs(samples) > ACTIVE * peak)
    first, last = int(loud[0]), int(loud[-1])
    longest_ramp = round(LONGEST_RAMP_S * rate_hz)
    phase, trusted = first_guess(samples, first, last, peak)
    edges = Edges(first, last + 1, 1, 1.0)
    for _ in range(EDGE_PASSES):
        phase, amplitude = refined(samples, phase, edges.gain, first, last, trusted)
        if not follows(samples, phase, first, last):
            raise no_sweep()
        trusted = last
        end, ramp, level = end_and_ramp(samples, phase, amplitude, last, longest_ramp)
        edges = start_and_sign(samples, phase, level, first, end, ramp)
    found = _known(phase, edges, amplitude, rate_hz)
    _check(samples, found)
    return found


def _known(phase: Phase, edges: Edges, amplitude: float, rate_hz: float) -> KnownSweep:
    samples = edges.end - edges.start
    lowest_hz = phase.speed_at(edges.start) / (2.0 * math.pi) * rate_hz
    try:
        sweep = Sweep(
            lowest_hz=lowest_hz,
            highest_hz=lowest_hz * math.exp(samples * phase.rate),
            duration_s=samples / rate_hz,
            sample_rate_hz=rate_hz,
        )
    except SettingError:
        raise no_sweep() from None
    return KnownSweep(
        sweep=sweep,
        peak=edges.sign * amplitude,
        ramp_samples=edges.ramp,
        first_sample=edges.start,
    )


def _check(samples: Block, found: KnownSweep) -> None:
    """Refuse what the sweep found does not explain."""
    rest = np.array(samples, dtype=float)
    begin, end = found.first_sample, min(found.end_sample, len(samples))
    played = found.played.at(0, end - begin)
    rest[begin:end] -= played
    if float(np.sum(rest * rest)) > LARGEST_RESIDUAL**2 * float(np.sum(played * played)):
        raise no_sweep()
