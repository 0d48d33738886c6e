"""Notes on a measurement: what a person should know, in sentences."""

from collections.abc import Iterator, Sequence

from carrierfloor.cli.measuring import NORMAL, Measured, Setting, rig_polarity
from carrierfloor.dsp.level import decibels
from carrierfloor.dsp.rig import Rig

LOUD_HUM_DB, MUCH_DISTORTION, NOISY_DB, DEEP = -40.0, 0.05, 30.0, 0.75
POOR_ERROR = 0.03  # of a fit, from which sections are no good description
FULL_SCALE_DBFS = -0.5
DISTORTION_AT_HZ = 1000.0


def notes(paths: Sequence[Measured], setting: Setting, before: Rig) -> list[str]:
    """Return the notes on a measurement.

    Parameters
    ----------
    paths : sequence of Measured
        What was measured.
    setting : Setting
        How.
    before : Rig
        As it was before.
    """
    return [
        *_on_polarity(paths, setting, before),
        *_on_paths(paths, before),
        *(note for path in paths for note in _on_capture(path, len(paths) > 1)),
        *_on_depth(setting),
    ]


def _on_polarity(paths: Sequence[Measured], setting: Setting, before: Rig) -> Iterator[str]:
    found = [path.fit.polarity for path in paths]
    has = before.level.polarity
    now = rig_polarity(paths, setting)
    if len(set(found)) > 1:
        yield (
            "The captures have different polarities: one of the detectors, or of the paths, "
            "inverts. The polarity in the rig file stays as it is."
        )
    elif now is not None and now != has:
        yield (
            f"The polarity in the rig file was wrong: {has}; it becomes {now}. Without that the "
            "limiter would have held the wrong side of the envelope."
        )
    elif now is None and found[0] != has:
        seen = "upright" if found[0] == NORMAL else "upside down"
        yield (
            f"The capture is {seen}, the rig file says polarity {has}: either that is wrong or the "
            "detector inverts. Find out with carrierfloor level, which sets it; or measure again "
            "with --detector-polarity normal or inverted, if you know the detector. The rig file "
            f"keeps polarity {has}."
        )


def _on_paths(paths: Sequence[Measured], before: Rig) -> Iterator[str]:
    names = {path.fit.path.name for path in paths}
    others = [path.name for path in before.paths if path.name not in names]
    if others:
        yield (
            f"Not measured now and left as it is: {', '.join(others)}. The limiter holds all paths "
            "of the file at once; delete what is not true of your transmitter."
        )


def _on_capture(path: Measured, name_it: bool) -> Iterator[str]:
    response, fit = path.response, path.fit
    head = f"{fit.path.name}: " if name_it else ""
    if fit.worst_error > POOR_ERROR:
        yield (
            f"{head}The sections miss the measured response by {100 * fit.worst_error:.1f} % at "
            f"{fit.worst_error_hz:.0f} Hz; the margin covers that, at the price of loudness."
        )
    if response.signal_to_noise_db < NOISY_DB:
        yield (
            f"{head}The capture is noisy ({response.signal_to_noise_db:.0f} dB); a longer sweep or "
            "more level at the detector makes the fit better and the margin smaller."
        )
    if response.peak_dbfs > FULL_SCALE_DBFS:
        yield f"{head}The capture nearly reaches full scale ({response.peak_dbfs:.1f} dBFS)."
    low, high = fit.frequency_hz[0], fit.frequency_hz[-1]
    if low <= DISTORTION_AT_HZ <= high:
        distortion = response.distortion_at(DISTORTION_AT_HZ)
        if distortion > MUCH_DISTORTION:
            yield (
                f"{head}The distortion of {100 * distortion:.0f} % at 1 kHz is high: look for "
                "what bends (modulator, its drive, the detector) before you rely on the limits."
            )
    if response.hum and decibels(response.hum[0].ratio) > LOUD_HUM_DB:
        line = response.hum[0]
        yield (
            f"{head}There is hum: {line.frequency_hz:.0f} Hz, {-decibels(line.ratio):.0f} dB below "
            "the sweep."
        )


def _on_depth(setting: Setting) -> Iterator[str]:
    if setting.depth >= 1.0:
        yield (
            "By the level in the rig file the sweep modulated 100 % or more, and yet the carrier "
            "was not cut off: that level is wrong. Find it with carrierfloor level and measure "
            "again, for the margin hangs on it; the sections do not."
        )
    elif setting.depth > DEEP:
        yield (
            f"The sweep modulated {100 * setting.depth:.0f} %; at about 50 % neither cut-off nor "
            "a diode detector's knee can bend the measurement."
        )
