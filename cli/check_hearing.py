"""A recording is heard and measured, for ``check``; a second time if a line misled the first."""

from contextlib import ExitStack

from carrierfloor.cli import check_parts, screen
from carrierfloor.cli.check_head import Head, look
from carrierfloor.cli.check_listening import Listened, listen, listen_to_detector
from carrierfloor.cli.check_measuring import Measured, measure
from carrierfloor.cli.check_options import CheckOptions
from carrierfloor.cli.detector_source import DetectorSource
from carrierfloor.cli.kept_signal import KeptSignal
from carrierfloor.cli.recording_in import DETECTOR, IQ
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.rig import Rig

EXACT_HZ = 0.2  # to which no carrier lies in the middle by chance
FAINT_RMS = 0.02  # of m: rounding of the samples may modulate such a line as much
MUCH_MORE = 5.0


def hear(
    options: CheckOptions, rig: Rig | None, stack: ExitStack
) -> tuple[Listened, Measured, DetectorSource | None]:
    """Listen to a recording and measure it.

    Parameters
    ----------
    options : CheckOptions
        What the user asked for.
    rig : Rig, optional
        The transmitter.
    stack : ExitStack
        Closes what holds the signal.

    Raises
    ------
    CarrierfloorError
        If it cannot be read or is no AM; says what it holds.
    """
    head = look(options)
    if head.kind == DETECTOR:
        kept = stack.enter_context(KeptSignal())
        with screen.progress_bar() as bar:
            bar.add_task(f"{options.recording.name}: listening", total=1.0)
            source = stack.enter_context(DetectorSource(options, rig))
            heard = listen_to_detector(source, options, head, kept)
        return heard, check_parts.with_error_of(source, _measured(options, heard)), source
    heard = _listened(options, head, stack)
    try:
        measured = _measured(options, heard)
    except AudioError:
        other = _behind_the_middle(options, heard, stack, 0.0)
        if other is None:
            raise
        return *other, None
    if measured.reading.rms < FAINT_RMS:
        other = _behind_the_middle(options, heard, stack, measured.reading.rms)
        if other is not None:
            return *other, None
    return heard, measured, None


def lies_in_the_middle(heard: Listened) -> bool:
    """Tell whether what was taken for the carrier may be the line that an IQ receiver adds."""
    track = heard.track
    if heard.head.kind != IQ or track is None or not track.was_found:
        return False
    return max(abs(track.lowest_hz), abs(track.highest_hz)) < EXACT_HZ


def _behind_the_middle(
    options: CheckOptions, heard: Listened, stack: ExitStack, rms: float
) -> tuple[Listened, Measured] | None:
    """Hear the carrier that a line right in the middle hid, if there is one, modulated far more."""
    if options.carrier is not None or not lies_in_the_middle(heard):
        return None
    head = look(options, passes_middle=True)
    if head.carrier_hz is None:
        return None
    other = _listened(options, head, stack)
    try:
        measured = _measured(options, other)
    except AudioError:
        return None
    return (other, measured) if measured.reading.rms > max(FAINT_RMS, MUCH_MORE * rms) else None


def _listened(options: CheckOptions, head: Head, stack: ExitStack) -> Listened:
    kept = stack.enter_context(KeptSignal())
    with screen.progress_bar() as bar:
        task = bar.add_task(f"{options.recording.name}: listening", total=1.0)
        return listen(options, head, kept, lambda part: bar.update(task, completed=part))


def _measured(options: CheckOptions, heard: Listened) -> Measured:
    with screen.progress_bar() as bar:
        task = bar.add_task("measuring", total=1.0)
        try:
            return measure(heard, lambda part: bar.update(task, completed=part))
        except AudioError as error:
            raise AudioError(f"{options.recording}: {error}") from None
