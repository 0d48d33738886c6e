"""Recognise an exponential sweep by its samples, so that its file is all that must be kept."""

from dataclasses import dataclass

from carrierfloor.dsp.signals import Ramped, Sweep
from carrierfloor.dsp.stage import Block


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
    raise NotImplementedError
