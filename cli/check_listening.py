"""The first passes of ``check``: what kind of recording it is, then all of it, once."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.check_detector import DetectorSource
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.kept_signal import KeptSignal
from carrierfloor.cli.recording_in import DETECTOR, IF, IQ, RecordingIn
from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.carrier_reference import find_reference
from carrierfloor.dsp.carrier_rows import RowMeter, Rows, with_noise_of_pauses
from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.carrier_track import CarrierTrack
from carrierfloor.dsp.cutoff_finder import SMALLEST
from carrierfloor.dsp.demodulate import HALF_WIDTH_HZ, Demodulator
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.front_end import FrontEnd, is_worthwhile
from carrierfloor.dsp.iq_balance import find_image, without_image
from carrierfloor.dsp.spectrum_meter import FINE_RESOLUTION_HZ, RESOLUTION_HZ, SpectrumMeter
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

HEAD_S, LEAST_HEAD_S = 2.0, 0.75  # of signal: the second if that is more than HEAD_SAMPLES
HEAD_SAMPLES = 1_500_000
LONGEST_HEAD_S = 20.0  # looked at first; as long if there is no carrier earlier
WIDE_HZ = 16_000.0  # on each side, where noise and neighbours allow
WIDE_NOISE = 0.004  # rms over the carrier up to which they do
LOWEST_IF_HZ = 4000.0  # of a mono recording's carrier; below it could be a tone of a detector
FEWEST_ROWS = 25  # of a carrier, to tell
UNKNOWN_SIZE = 2**31 - 65_536  # programs that stream write such a length
EDGE = 0.9  # of half the sample rate: beyond is the receiver's own filter


@dataclass(frozen=True, kw_only=True)
class Head:
    """What the beginning of a recording tells."""

    kind: str
    kind_was_given: bool
    image: complex  # mirror image of an IQ receiver, a part of the signal
    half_width_hz: float
    carrier_hz: float | None = None  # where it was


@dataclass(frozen=True, kw_only=True)
class Listened:
    """A recording that was heard once."""

    head: Head
    sample_rate_hz: float
    duration_s: float
    part_read: float  # of what its header promises
    nonfinite_samples: int
    track: CarrierTrack | None  # None for a detector
    half_width_hz: float
    kept: KeptSignal
    rows: Rows
    wide: SpectrumMeter | None  # on the recording itself
    fine: SpectrumMeter | None  # on what was demodulated
    least_aim: float = SMALLEST  # of the carrier: a cut-off aims deeper below zero


def open_recording(options: CheckOptions, kind: str) -> RecordingIn:
    """Open the recording as one of a kind."""
    return RecordingIn(
        options.recording,
        kind,
        raw_format=options.format,
        rate_hz=options.rate,
        channel=options.channel,
    )


def look(options: CheckOptions) -> Head:
    """Look at the beginning of a recording.

    Raises
    ------
    CarrierfloorError
        If it cannot be read or cannot be of the kind given.
    """
    kind = options.kind or _kind(options)
    image, half_width_hz, carrier_hz = 0.0j, options.width or HALF_WIDTH_HZ, None
    if kind != DETECTOR:
        samples, rate_hz = _head(options, kind)
        if kind == IQ:
            image = find_image(samples)
            samples = without_image(samples, image) if image else samples
        is_clean, carrier_hz = _try(samples, rate_hz, options.carrier)
        if options.width is None and is_clean:
            half_width_hz = WIDE_HZ
    return Head(
        kind=kind,
        kind_was_given=options.kind is not None,
        image=image,
        half_width_hz=half_width_hz,
        carrier_hz=carrier_hz,
    )


def _kind(options: CheckOptions) -> str:
    """Tell the kind by the channels, or by a carrier in the one there is."""
    try:
        with open_recording(options, IQ):
            return IQ
    except AudioError:
        samples, rate_hz = _head(options, IF)
    line = find_carrier(samples, rate_hz, LOWEST_IF_HZ, rate_hz / 2.0)
    low = find_carrier(samples, rate_hz, 0.0, LOWEST_IF_HZ)
    higher = line is not None and (low is None or line.amplitude > low.amplitude)
    return IF if higher else DETECTOR


def _head(options: CheckOptions, kind: str) -> tuple[NDArray[Any], float]:
    """Return the first seconds in which there is something."""
    with open_recording(options, kind) as recording:
        rate_hz = recording.sample_rate_hz
        seconds = max(LEAST_HEAD_S, min(HEAD_S, HEAD_SAMPLES / rate_hz))
        wanted, longest = round(seconds * rate_hz), round(LONGEST_HEAD_S * rate_hz)
        parts: list[NDArray[Any]] = []
        held = seen = 0
        for block in recording.blocks():
            seen += len(block)
            if held or np.any(block):
                parts.append(block)
                held += len(block)
            if held >= wanted or seen >= longest:
                break
    empty = np.zeros(0, dtype=np.complex128 if kind == IQ else np.float64)
    return np.concatenate([empty, *parts])[:wanted], rate_hz


def _try(
    samples: NDArray[Any], rate_hz: float, carrier_hz: float | None
) -> tuple[bool, float | None]:
    """Tell whether noise and neighbours leave room for twice the width, and where the carrier is.

    The carrier is ``None`` if there is none all along.
    """
    demodulator = Demodulator(
        rate_hz,
        is_complex=np.iscomplexobj(samples),
        half_width_hz=WIDE_HZ,
        carrier_hz=carrier_hz,
    )
    meter = RowMeter()
    try:
        meter.feed(demodulator.process(samples))
    except AudioError:
        return False, None
    meter.feed(demodulator.finish())
    rows = meter.read()
    reference = find_reference(rows)
    known = reference.known
    if np.count_nonzero(known) < FEWEST_ROWS:
        return False, None
    noise = reference.noise[known] / np.square(reference.height[known])
    return float(np.sqrt(noise.mean())) < WIDE_NOISE, demodulator.track.mean_hz


def listen(
    options: CheckOptions, head: Head, kept: KeptSignal, progress: Callable[[float], None]
) -> Listened:
    """Hear the whole recording.

    Parameters
    ----------
    options : CheckOptions
        What the user asked for.
    head : Head
        What the beginning told.
    kept : KeptSignal
        Gets the part along the carrier.
    progress : callable
        Gets the part that is done, 0 to 1.

    Raises
    ------
    CarrierfloorError
        If it cannot be read.
    """
    with open_recording(options, head.kind) as recording:
        ears = _Ears(options, head, recording, kept)
        for block in recording.blocks():
            ears.process(block)
            progress(recording.part_read)
        ears.finish()
        return ears.heard()


def whole_part(path: Path) -> float:
    """Return how much of a WAV file is there, by the length in its header; else 1."""
    with path.open("rb") as file:
        head = file.read(8)
    size = int.from_bytes(head[4:8], "little")
    if head[:4] != b"RIFF" or not 0 < size < UNKNOWN_SIZE:
        return 1.0
    return min(1.0, path.stat().st_size / (size + 8))


def listen_to_detector(
    source: DetectorSource, options: CheckOptions, head: Head, kept: KeptSignal
) -> Listened:
    """Hear what a detector's voltage says of the envelope.

    Parameters
    ----------
    source : DetectorSource
        The recording, its detector taken out.
    options, head, kept
        As for :func:`listen`.
    """
    meter = RowMeter()
    fine = SpectrumMeter(
        SAMPLE_RATE_HZ,
        resolution_hz=FINE_RESOLUTION_HZ,
        lowest_hz=-source.half_width_hz,
        highest_hz=source.half_width_hz,
    )
    for signal in source.blocks():
        meter.feed(signal)
        kept.add(signal.in_phase)
        fine.feed(signal.in_phase.astype(np.complex128))
    return Listened(
        head=head,
        sample_rate_hz=source.sample_rate_hz,
        duration_s=kept.samples / SAMPLE_RATE_HZ,
        part_read=whole_part(options.recording),
        nonfinite_samples=0,
        track=None,
        half_width_hz=source.half_width_hz,
        kept=kept,
        rows=with_noise_of_pauses(meter.read()),
        wide=None,
        fine=fine,
        least_aim=source.sight.lowest if source.sight.knows_knee else math.inf,
    )


class _Ears:
    """All that hears a radio recording block by block."""

    def __init__(
        self, options: CheckOptions, head: Head, recording: RecordingIn, kept: KeptSignal
    ) -> None:
        self._head, self._recording, self._kept = head, recording, kept
        self._file = options.recording
        self._rate_hz, carrier_hz = recording.sample_rate_hz, options.carrier
        self._front: FrontEnd | None = None
        if head.kind == IQ and head.carrier_hz is not None and is_worthwhile(self._rate_hz):
            self._front = FrontEnd(self._rate_hz, head.carrier_hz)
            self._rate_hz, carrier_hz = self._front.sample_rate_hz, 0.0
        self._demodulator = Demodulator(
            self._rate_hz,
            is_complex=head.kind == IQ,
            half_width_hz=head.half_width_hz,
            carrier_hz=carrier_hz,
        )
        self._rows = RowMeter()
        self._wide: SpectrumMeter | None = None
        self._fine: SpectrumMeter | None = None

    def process(self, block: NDArray[Any]) -> None:
        """Take the next samples."""
        if self._head.image:
            block = without_image(block, self._head.image)
        self._hear(block if self._front is None else self._front.process(block))

    def finish(self) -> None:
        """Take the rest."""
        if self._front is not None:
            self._hear(self._front.finish())
        self._take(self._demodulator.finish())
        if self._front is not None:
            self._demodulator.track.shift(self._front.shift_hz)

    def _hear(self, block: NDArray[Any]) -> None:
        try:
            signal = self._demodulator.process(block)
        except AudioError as error:
            raise AudioError(f"{self._file}: {error}") from None
        self._take(signal)
        self._look_wide(block, len(signal) == 0 or bool(signal.locked.all()))

    def heard(self) -> Listened:
        """Return what was heard."""
        recording = self._recording
        return Listened(
            head=self._head,
            sample_rate_hz=recording.sample_rate_hz,
            duration_s=recording.duration_s,
            part_read=min(recording.part_read, whole_part(self._file)),
            nonfinite_samples=recording.health.nonfinite_samples,
            track=self._demodulator.track,
            half_width_hz=self._demodulator.half_width_hz,
            kept=self._kept,
            rows=self._rows.read(),
            wide=self._wide,
            fine=self._fine,
        )

    def _take(self, signal: Demodulated) -> None:
        self._rows.feed(signal)
        self._kept.add(signal.in_phase)
        if not len(signal):
            return
        if self._fine is None:
            width_hz = self._demodulator.half_width_hz
            self._fine = SpectrumMeter(
                SAMPLE_RATE_HZ,
                resolution_hz=FINE_RESOLUTION_HZ,
                lowest_hz=-width_hz,
                highest_hz=width_hz,
            )
        self._fine.feed(signal.in_phase + 1j * signal.quadrature, counted=bool(signal.locked.all()))

    def _look_wide(self, block: NDArray[Any], counted: bool) -> None:
        """Feed the spectrum of the recording itself."""
        track = self._demodulator.track
        if self._wide is None:
            if not track.was_found:
                return
            lowest_hz, highest_hz = self._edges(track.last_hz)
            self._wide = SpectrumMeter(
                self._rate_hz,
                resolution_hz=RESOLUTION_HZ,
                lowest_hz=lowest_hz,
                highest_hz=highest_hz,
                keeps_rows=True,
            )
        self._wide.feed(block, track.last_hz, counted)

    def _edges(self, carrier_hz: float) -> tuple[float, float]:
        """Return from where to where the recording holds what was on the air."""
        if self._front is not None:
            carrier_hz += self._front.shift_hz
        top_hz = EDGE * self._recording.sample_rate_hz / 2.0
        lowest_hz = -top_hz if self._head.kind == IQ else 0.0
        return lowest_hz - carrier_hz, top_hz - carrier_hz
