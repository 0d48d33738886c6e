"""A simulated recording of the transmitted signal, from the sound card's samples.

card samples -> audio path -> modulator and cut-off of the final -> channel -> receiver -> recording
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.dsp.antenna import Antenna, paths_of
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.resampler import Resampler
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.settings import check, setting
from carrierfloor.dsp.simulated_channel import ChannelDesign
from carrierfloor.dsp.simulated_detector import DetectorDesign
from carrierfloor.dsp.simulated_modulator import ModulatorDesign, SimulatedModulator
from carrierfloor.dsp.simulated_receiver import (
    DetectorReceiver,
    IfReceiver,
    IqReceiver,
    Receiver,
    Recorded,
)
from carrierfloor.dsp.simulated_truth import Truth, TruthMeter
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block

IQ, IF, DETECTOR = "iq", "if", "detector"
USUAL_RATES_HZ = {IQ: 96_000, IF: 48_000, DETECTOR: 48_000}
USUAL_IF_HZ = 12_000.0
BLOCK = 4096  # samples of 48 kHz worked on at once: at 3 MHz four megabytes of complex samples


@dataclass(frozen=True, kw_only=True)
class SimulationDesign:
    """How a recording is simulated."""

    kind: str = setting(choices=(IQ, IF, DETECTOR), effect="of recording")
    rate_hz: int = setting(
        unit="Hz", low=48_000, high=3_000_000, effect="sample rate of the recording"
    )
    path: str | None = setting(None, effect="which of the rig's paths the audio takes; the first")
    level_dbfs: float = setting(
        -12.0,
        unit="dBFS",
        low=-100.0,
        high=0.0,
        effect="of the unmodulated carrier: magnitude of IQ, peak of an IF, DC of a detector",
    )
    carrier_hz: float = setting(
        USUAL_IF_HZ, unit="Hz", low=2000.0, high=1.5e6, effect="intermediate frequency"
    )
    carrier_s: float = setting(
        2.0, unit="s", low=0.0, high=600.0, effect="unmodulated carrier before and after the audio"
    )
    seed: int = setting(1, low=0, high=2**32 - 1, effect="of the noise")
    modulator: ModulatorDesign = field(default_factory=ModulatorDesign)
    channel: ChannelDesign = field(default_factory=ChannelDesign)
    detector: DetectorDesign = field(default_factory=DetectorDesign)

    def __post_init__(self) -> None:
        check(self)
        others = {
            "imbalance": (self.channel.imbalance_pct, IQ),
            "detector knee": (self.detector.knee_pct, DETECTOR),
            "detector rc": (self.detector.rc_ms, DETECTOR),
            "carrier hz": (self.carrier_hz != USUAL_IF_HZ, IF),
        }
        for what, (given, kind) in others.items():
            if given and self.kind != kind:
                raise SettingError(f"{what} goes with the kind {kind} only, not with {self.kind}")
        for what, given in (
            ("offset", self.channel.offset_hz),
            ("drift", self.channel.drift_hz_per_s),
        ):
            if given and self.kind == DETECTOR:
                raise SettingError(f"{what} means nothing to a detector: it hears no frequency")

    @property
    def neighbour_outside_hz(self) -> float | None:
        """Where the neighbour lies in the recording if that cannot hold it, else ``None``."""
        if self.channel.neighbour_db is None or self.kind == DETECTOR:
            return None
        middle_hz = self.carrier_hz if self.kind == IF else 0.0
        top_hz = self.rate_hz / 2.0
        at_hz = middle_hz + self.channel.offset_hz + self.channel.neighbour_hz
        is_inside = at_hz < top_hz and at_hz > (0.0 if self.kind == IF else -top_hz)
        return None if is_inside else at_hz

    @property
    def amplitude(self) -> float:
        """Of the unmodulated carrier in the recording, 1.0 = full scale."""
        return float(10.0 ** (self.level_dbfs / 20.0))


class Simulation:
    """Simulate the recording of what a transmitter makes of sound-card samples at 48 kHz.

    Constant memory, and no bit depends on how the samples are cut into blocks.

    Parameters
    ----------
    rig : Rig
        Its level, polarity and path.
    design : SimulationDesign
        How.

    Attributes
    ----------
    path : Path
        Which path the audio takes.
    peak : float
        Highest magnitude in the recording so far, of I and Q each; 1.0 = full scale.

    Raises
    ------
    SettingError
        If the rig has no such path, or the carrier does not fit into the recording.

    Examples
    --------
    >>> import numpy as np
    >>> from carrierfloor import presets
    >>> design = SimulationDesign(kind="iq", rate_hz=48_000, carrier_s=0.1)
    >>> simulation = Simulation(presets.rig("dc-coupled"), design)
    >>> tone = np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)
    >>> len(np.concatenate(list(simulation.recording([0.5 * 10 ** (-8 / 20) * tone]))))
    57600
    >>> f"{100 * simulation.truth().negative_peak:.1f} %"
    '50.0 %'
    """

    def __init__(self, rig: Rig, design: SimulationDesign) -> None:
        self.path = chosen_path(rig, design.path)
        self._design = design
        self._receiver = _receiver(design)
        rates = self._receiver.rates
        self._antenna = Antenna(self.path, rig.level.sample_at_full_modulation)
        self._to_fine = Resampler(SAMPLE_RATE_HZ, rates.fine_hz)
        self._modulator = SimulatedModulator(design.modulator, rates.fine_hz, -rates.settling_fine)
        self._around = round(design.carrier_s * SAMPLE_RATE_HZ)  # card samples before and after
        self._card = self._around  # card samples so far
        self._fine_per_card = rates.fine_hz / SAMPLE_RATE_HZ
        begins = round(self._around * self._fine_per_card)
        self._truth = TruthMeter(rates.fine_hz, design.modulator.floor, begins)
        self._given, self.peak = 0, 0.0  # samples, highest magnitude
        self._settle()

    def recording(self, card: Iterable[Block]) -> Iterator[Recorded]:
        """Yield the recording, piece by piece: as much time as carrier and audio last.

        Parameters
        ----------
        card : iterable of ndarray, shape (n,)
            All samples as the sound card gets them, in blocks of any size.

        Yields
        ------
        ndarray, shape (m,)
            The next samples of the recording, 1.0 = full scale: complex for IQ, else real.
        """
        yield from self._unmodulated()
        for block in card:
            self._card += len(block)
            yield from self._follow(self._antenna.process(block))
        yield from self._unmodulated()
        yield from self._follow(self._antenna.finish())
        rest = [self._radiate(self._to_fine.finish())]
        rest += [self._settle(), self._receiver.finish()]  # it stays on until all has come
        seconds = (self._card + self._around) / SAMPLE_RATE_HZ
        wanted = round(seconds * self._design.rate_hz) - self._given
        yield self._recorded(np.concatenate(rest)[:wanted])

    def truth(self) -> Truth:
        """Return what the transmitter did so far."""
        return self._truth.read()

    @property
    def audio_begins_s(self) -> float:
        """When the audio begins in the recording."""
        return self._around / SAMPLE_RATE_HZ

    @property
    def audio_ends_s(self) -> float:
        """When the audio ends, as far as it has come."""
        return self._card / SAMPLE_RATE_HZ

    def _unmodulated(self) -> Iterator[Recorded]:
        """Send the carrier alone."""
        for start in range(0, self._around, BLOCK):
            silence = np.zeros(min(BLOCK, self._around - start))
            yield from self._follow(self._antenna.process(silence))

    def _follow(self, modulation: Block) -> Iterator[Recorded]:
        """Take m at 48 kHz as far as it is known."""
        for start in range(0, len(modulation), BLOCK):
            fine = self._to_fine.process(modulation[start : start + BLOCK])
            yield self._recorded(self._radiate(fine))

    def _radiate(self, modulation: Block) -> Recorded:
        """Take m at the fine rate."""
        wanted, envelope = self._modulator.process(modulation)
        self._truth.feed(wanted, envelope, round(self._card * self._fine_per_card))
        return self._receiver.process(envelope)

    def _settle(self) -> Recorded:
        """Let the receiver hear the carrier outside of the recording."""
        _, envelope = self._modulator.process(np.zeros(self._receiver.rates.settling_fine))
        return self._receiver.process(envelope)

    def _recorded(self, ready: NDArray[Any]) -> Recorded:
        """Bring the next samples of the recording to their level."""
        recorded: NDArray[Any] = self._design.amplitude * ready
        self._given += len(recorded)
        self.peak = max(self.peak, float(np.abs(frames_of(recorded)).max(initial=0.0)))
        return recorded


def chosen_path(rig: Rig, name: str | None) -> Path:
    """Return the path of this name, or the first.

    Raises
    ------
    SettingError
        If there is none.
    """
    paths = paths_of(rig)
    for path in paths:
        if name in (None, path.name):
            return path
    known = ", ".join(repr(path.name) for path in paths)
    raise SettingError(f"path is {name!r}; the rig has {known}")


def _receiver(design: SimulationDesign) -> Receiver:
    random = np.random.default_rng(design.seed)
    if design.kind == IQ:
        return IqReceiver(design.channel, design.rate_hz, random)
    if design.kind == IF:
        return IfReceiver(design.channel, design.rate_hz, random, design.carrier_hz)
    return DetectorReceiver(design.channel, design.rate_hz, random, design.detector)


def frames_of(recording: Recorded) -> NDArray[np.float64]:
    """Return samples of a recording as frames: shape (n, 2) with I and Q, or (n, 1)."""
    channels = 2 if np.iscomplexobj(recording) else 1
    return np.ascontiguousarray(recording).view(np.float64).reshape(-1, channels)
