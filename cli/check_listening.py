"""The first pass of ``check``: a whole recording is heard, once."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.check_head import Head, open_recording
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.detector_source import DetectorSource
from carrierfloor.cli.kept_signal import KeptSignal
from carrierfloor.cli.recording_in import IQ, RecordingIn
from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.carrier_rows import RowMeter, Rows, with_noise_of_pauses
from carrierfloor.dsp.carrier_track import CarrierTrack
from carrierfloor.dsp.cutoff_finder import SMALLEST
from carrierfloor.dsp.demodulate import Demodulator
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.front_end import FrontEnd, is_worthwhile
from carrierfloor.dsp.iq_balance import without_image
from carrierfloor.dsp.spectrum_meter import FINE_RESOLUTION_HZ, RESOLUTION_HZ, SpectrumMeter
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ

UNKNOWN_SIZE = 2**31 - 65_536  # programs that stream write such a length
EDGE = 0.9  # of half the sample rate: beyond is the receiver's own filter
LEAST_BINS = 32.0  # of a spectrum: slow recordings need a finer one
LEAST_ROOM_HZ = 500.0  # around the carrier, though it lie beyond that


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
        self._not_seen = 0  # samples before there was a carrier
        self._wide: SpectrumMeter | None = None
        self._fine: SpectrumMeter | None = None

    def process(self, block: NDArray[Any]) -> None:
        """Take the next samples."""
        if self._head.constant:
            block = block - self._head.constant
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
                self._not_seen += len(block)
                return
            lowest_hz, highest_hz = self._edges(track.last_hz)
            self._wide = SpectrumMeter(
                self._rate_hz,
                resolution_hz=min(RESOLUTION_HZ, self._rate_hz / LEAST_BINS),
                lowest_hz=lowest_hz,
                highest_hz=highest_hz,
                keeps_rows=True,
                begins_s=self._not_seen / self._rate_hz,
            )
        self._wide.feed(block, track.last_hz, counted)

    def _edges(self, carrier_hz: float) -> tuple[float, float]:
        """Return from where to where the recording holds what was on the air."""
        if self._front is not None:
            carrier_hz += self._front.shift_hz
        top_hz = EDGE * self._recording.sample_rate_hz / 2.0
        top_hz = max(top_hz, abs(carrier_hz) + LEAST_ROOM_HZ)
        lowest_hz = -top_hz if self._head.kind == IQ else 0.0
        return lowest_hz - carrier_hz, top_hz - carrier_hz
