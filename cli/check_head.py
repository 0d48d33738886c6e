"""The beginning of a recording, for ``check``: what kind it is, and how wide it can be heard."""

from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.recording_in import DETECTOR, IF, IQ, MIX, RecordingIn
from carrierfloor.dsp.carrier_reference import find_reference
from carrierfloor.dsp.carrier_rows import RowMeter
from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.demodulate import FRAME_S, HALF_WIDTH_HZ, SEARCH_FRAMES, Demodulator
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.iq_balance import find_image, without_image
from carrierfloor.dsp.iq_constant import constant_of, find_constant

HEAD_S, LEAST_HEAD_S = 2.0, 0.75  # of signal: the second if that is more than HEAD_SAMPLES
HEAD_SAMPLES = 1_500_000
LONGEST_HEAD_S = 20.0  # looked at first; as long if there is no carrier earlier
WIDE_HZ = 16_000.0  # on each side, where noise and neighbours allow
WIDE_NOISE = 0.004  # rms over the carrier up to which they do
LOWEST_IF_HZ = 4000.0  # of a mono recording's carrier; below it could be a tone of a detector
FEWEST_ROWS = 25  # of a carrier, to tell
SEARCH_S = FRAME_S * SEARCH_FRAMES  # in which the carrier is looked for


@dataclass(frozen=True, kw_only=True)
class Head:
    """What the beginning of a recording tells."""

    kind: str
    kind_was_given: bool
    constant: complex  # that an IQ receiver adds, 1.0 = full scale
    image: complex  # its mirror image, a part of the signal
    half_width_hz: float
    carrier_hz: float | None = None  # where it was
    passes_middle: bool = False  # a line right in the middle was taken for the receiver's own


def open_recording(options: CheckOptions, kind: str) -> RecordingIn:
    """Open the recording as one of a kind."""
    return RecordingIn(
        options.recording,
        kind,
        raw_format=options.format,
        rate_hz=options.rate,
        channel=options.channel,
    )


def look(options: CheckOptions, *, passes_middle: bool = False) -> Head:
    """Look at the beginning of a recording.

    Parameters
    ----------
    options : CheckOptions
        What the user asked for.
    passes_middle : bool
        A line right in the middle of IQ is the receiver's own, however strong.

    Raises
    ------
    CarrierfloorError
        If it cannot be read or cannot be of the kind given.
    """
    kind = options.kind or _kind(options)
    constant = image = 0.0j
    half_width_hz, carrier_hz = options.width or HALF_WIDTH_HZ, None
    if kind != DETECTOR:
        samples, rate_hz = _head(options, kind)
        if kind == IQ:
            constant = _constant(samples, rate_hz, passes_middle)
            samples = samples - constant
            image = find_image(samples)
            samples = without_image(samples, image) if image else samples
        is_clean, carrier_hz = _try(samples, rate_hz, options.carrier)
        if options.width is None and is_clean:
            half_width_hz = WIDE_HZ
    return Head(
        kind=kind,
        kind_was_given=options.kind is not None,
        constant=constant,
        image=image,
        half_width_hz=half_width_hz,
        carrier_hz=carrier_hz,
        passes_middle=passes_middle,
    )


def _constant(samples: NDArray[Any], rate_hz: float, passes_middle: bool) -> complex:
    """Return what the receiver adds to IQ."""
    if passes_middle:
        return constant_of(samples)
    line = find_carrier(samples[: round(SEARCH_S * rate_hz)], rate_hz, -rate_hz, rate_hz)
    return 0.0 if line is None else find_constant(samples, rate_hz, line.frequency_hz)


def _kind(options: CheckOptions) -> str:
    """Tell the kind by the channels, or by a carrier in the one there is."""
    if options.channel == MIX:  # who chooses one has no IQ
        with suppress(AudioError), open_recording(options, IQ):
            return IQ
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
        if held and kind != IQ:
            recording.check_channels()
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
    if np.count_nonzero(reference.known) < FEWEST_ROWS:
        return False, None
    return reference.relative_noise_rms < WIDE_NOISE, demodulator.track.mean_hz
