"""What the antenna will see: all meters on every path of a rig, fed with card samples."""

from dataclasses import dataclass

from carrierfloor.dsp.activity import ActiveSpeech, ActiveSpeechMeter
from carrierfloor.dsp.antenna import Antenna, paths_of
from carrierfloor.dsp.emission import Emission, EmissionMeter
from carrierfloor.dsp.interpolation import Interpolator
from carrierfloor.dsp.modulation import ModulationMeter, ModulationReading
from carrierfloor.dsp.overview import Overview, OverviewMeter, WorstMoment, WorstMomentFinder
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

AFTER_SAMPLES = 24_000  # half a second of silence is looked at after the end
BLOCK = 16_384  # longest stretch worked on at once


@dataclass(frozen=True)
class AntennaReading:
    """What the antenna sees through one path."""

    path: str
    modulation: ModulationReading
    speech: ActiveSpeech  # of m: active_rms is the density of modulation
    emission: Emission
    overview: Overview
    worst_moment: WorstMoment


class AntennaMeter:
    """Predict, for a stream of sound-card samples at 48 kHz, what the antenna sees.

    Constant memory, whatever the length of the stream.

    Parameters
    ----------
    rig : Rig
        Its level, polarity and paths; each path is simulated by its analogue response.

    Examples
    --------
    >>> import numpy as np
    >>> from carrierfloor import presets
    >>> meter = AntennaMeter(presets.rig("dc-coupled"))
    >>> tone = np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)
    >>> meter.feed(0.5 * 10 ** (-8 / 20) * tone)  # half of full modulation
    >>> reading = meter.finish()
    >>> f"{100 * reading.modulation.negative_peak:.1f} %"
    '50.0 %'
    """

    def __init__(self, rig: Rig) -> None:
        full = rig.level.sample_at_full_modulation
        self._probes = [_Probe(path, full) for path in paths_of(rig)]

    def feed(self, card: Block) -> None:
        """Take the next samples as the sound card gets them, shape (n,), any n."""
        for start in range(0, len(card), BLOCK):
            for probe in self._probes:
                probe.feed(card[start : start + BLOCK])

    def finish(self) -> AntennaReading:
        """Let the paths ring out and return the reading of the worst path; see :attr:`paths`."""
        for probe in self._probes:
            probe.finish()
        return worst_of(self.paths)

    @property
    def paths(self) -> tuple[AntennaReading, ...]:
        """The reading of each path, in the rig's order."""
        return tuple(probe.read() for probe in self._probes)


def worst_of(readings: tuple[AntennaReading, ...]) -> AntennaReading:
    """Return the reading with the deepest trough."""
    return max(readings, key=lambda reading: reading.modulation.negative_peak)


class _Probe:
    """The meters of one path."""

    def __init__(self, path: Path, sample_at_full_modulation: float) -> None:
        self._name = path.name
        self._antenna = Antenna(path, sample_at_full_modulation)
        self._interpolator = Interpolator()
        starts_at_s = -self._interpolator.delay_samples / SAMPLE_RATE_HZ
        self._modulation = ModulationMeter(starts_at_s)
        self._emission = EmissionMeter()
        self._overview = OverviewMeter(starts_at_s)
        self._worst_moment = WorstMomentFinder(starts_at_s)
        self._speech = ActiveSpeechMeter()
        self._waiting = 0  # card samples whose modulation is still to come

    def feed(self, card: Block) -> None:
        self._waiting += len(card)
        self._measure(self._antenna.process(card))

    def finish(self) -> None:
        self._measure(self._antenna.finish(AFTER_SAMPLES))

    def _measure(self, modulation: Block) -> None:
        within = modulation[: self._waiting]  # the silence after the end is no pause of speech
        self._speech.feed(within)
        self._waiting -= len(within)
        for start in range(0, len(modulation), BLOCK):
            fine = self._interpolator.process(modulation[start : start + BLOCK])
            self._modulation.feed(fine)
            self._emission.feed(fine)
            self._overview.feed(fine)
            self._worst_moment.feed(fine)

    def read(self) -> AntennaReading:
        return AntennaReading(
            path=self._name,
            modulation=self._modulation.read(),
            speech=self._speech.read(),
            emission=self._emission.read(),
            overview=self._overview.read(),
            worst_moment=self._worst_moment.read(),
        )
