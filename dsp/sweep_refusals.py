"""What makes a capture of a sweep useless, each with one line that says so."""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_recognition import KnownSweep

Floats = NDArray[np.float64]

BEGINS_HZ, ENDS_HZ, NEARLY = 80.0, 5000.0, 1.001  # of a sweep: at most, at least
SILENT = 1e-4  # peak, -80 dBFS
FULL_SCALE = 0.999
FEWEST_LEVELS, LOOKED_FOR_LEVELS = 40, 200_000  # different values, among so many samples
CLIPPED_RUN = 3  # so many samples in a row at full scale are no chance
LEAST_SIGNAL_TO_NOISE_DB = 20.0
LARGEST_CLOCK_PPM = 1000.0
GAP_S, BESIDE = 0.002, 0.1  # of digital silence; what is heard next to it, over the peak
SURELY_WITHIN_S = 0.02  # the ramps: a path delays the lowest frequencies
# Waveform against phase, a sixth of an octave at a time.
SLICES_PER_OCTAVE = 6
HIGHEST_FOLDED_HZ = 6000.0
PHASES = 64
LOOKED_AT = 4  # phases to either side of an extreme: 0.39 rad
FLATTEST = 0.4  # curvature of an extreme over that of a sine ...
SURE = 3.0  # ... and so many standard deviations below it, where there is noise
LEAST_OF_PEAK = 0.3  # a slice is looked at if it is at least so loud


def check_band(sweep: KnownSweep) -> None:
    """Refuse a sweep that leaves out where speech is: sections would be guesses there.

    With one from 100 Hz a transmitter's trough came to 1.9 % beyond its limit, from 80 Hz none did.

    Raises
    ------
    AudioError
        Says where it runs and where it should.
    """
    lowest_hz, highest_hz = sweep.sweep.lowest_hz, sweep.sweep.highest_hz
    if lowest_hz > BEGINS_HZ * NEARLY or highest_hz * NEARLY < ENDS_HZ:
        raise AudioError(
            f"the sweep runs from {lowest_hz:.0f} to {highest_hz:.0f} Hz; it must begin at "
            f"{BEGINS_HZ:g} Hz or lower and end at {ENDS_HZ:g} Hz or higher, or the path is a "
            "guess where the voice is; `carrierfloor tone sweep` runs from 20 to 10000 Hz by itself"
        )


def check_samples(capture: Block, rate_hz: float, sweep: KnownSweep) -> None:
    """Refuse what can be seen without the sweep.

    Raises
    ------
    AudioError
        Wrong rate, no numbers, silent, of a few steps only, clipped, or shorter than the sweep.
    """
    played_hz = sweep.sweep.sample_rate_hz
    if rate_hz != played_hz:
        raise AudioError(
            f"the capture has a sample rate of {rate_hz:g} Hz, the sweep {played_hz:g} Hz; "
            "record at the sweep's rate"
        )
    if not np.isfinite(capture).all():
        raise AudioError("the capture has samples that are no numbers; record it anew")
    peak = float(np.abs(capture).max(initial=0.0))
    if peak < SILENT:
        raise AudioError(
            f"the capture is silent (peak {_db(peak)}); check the detector, its cable and the input"
        )
    if longest_run(np.abs(capture) >= FULL_SCALE) >= CLIPPED_RUN:
        raise AudioError("the capture is clipped at full scale; lower the recording level")
    if len(capture) < (1.0 - 1e-6 * LARGEST_CLOCK_PPM) * sweep.sweep.samples - sweep.ramp_samples:
        raise AudioError(
            f"the capture is truncated: it is {len(capture) / rate_hz:.1f} s long, the sweep "
            f"{sweep.sweep.duration_s:.1f} s; record until the sweep is over"
        )
    some = capture[:: 1 + len(capture) // LOOKED_FOR_LEVELS]
    levels = len(np.unique(some))
    if levels < FEWEST_LEVELS:  # such stairs look like flat crests
        raise AudioError(
            f"the capture is too quiet for its few bits: {levels} different values (peak "
            f"{_db(peak)}); raise the recording level, or record 24 bits"
        )


def longest_run(flags: NDArray[np.bool_]) -> int:
    """Return the length of the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def check_whole(length: int, rate_hz: float, delay: int, sweep: KnownSweep) -> None:
    """Refuse a capture in which the sweep is not whole.

    Raises
    ------
    AudioError
        Says which end is missing.
    """
    allowed = max(sweep.ramp_samples // 2, round(0.001 * rate_hz))
    missing = delay + sweep.sweep.samples - length
    if -delay > allowed:
        raise AudioError(
            f"the capture is truncated: the first {-delay / rate_hz:.2f} s of the sweep are "
            "missing; start recording before the sweep"
        )
    if missing > allowed:
        raise AudioError(
            f"the capture is truncated: the last {missing / rate_hz:.2f} s of the sweep are "
            "missing; record until the sweep is over"
        )


def check_gaps(capture: Block, zero: float, sweep: KnownSweep, delay: int, cropped: int) -> None:
    """Refuse a capture that is digitally silent where the sweep was heard just before or after.

    A recorder that comes too late fills up with zeros; no receiver is ever so silent.

    Parameters
    ----------
    capture : ndarray, shape (n,)
        What was recorded.
    zero : float
        Digital zero in it, from which something may have been taken away.
    sweep : KnownSweep
        What was played.
    delay : int
        Where it begins in the capture.
    cropped : int
        How many samples of the recording lie before the capture.

    Raises
    ------
    AudioError
        Says where.
    """
    rate_hz = sweep.sweep.sample_rate_hz
    edge = sweep.ramp_samples + round(SURELY_WITHIN_S * rate_hz)
    first, last = max(0, delay + edge), min(len(capture), delay + sweep.sweep.samples - edge)
    silent = np.concatenate(([False], capture[first:last] == zero, [False]))
    runs = first + np.flatnonzero(np.diff(silent.astype(np.int8))).reshape(-1, 2)
    reach, peak = round(GAP_S * rate_hz), float(np.abs(capture - zero).max(initial=0.0))
    for begin, end in runs[np.diff(runs, axis=1)[:, 0] >= reach]:
        beside = capture[max(0, begin - reach) : begin], capture[end : end + reach]
        if max(float(np.abs(part - zero).max(initial=0.0)) for part in beside) > BESIDE * peak:
            raise AudioError(
                f"the capture is digitally silent for {1000.0 * (end - begin) / rate_hz:.0f} ms "
                f"at {(cropped + begin) / rate_hz:.2f} s, within the sweep: the recorder lost "
                "sound; record it anew"
            )


def another_sweep(clock_ppm: float | None = None) -> AudioError:
    """Return the refusal of a capture that is not of this sweep."""
    if clock_ppm is None:
        return AudioError(
            "the capture does not hold the sweep that was played, holds it more than once, or is "
            "mostly noise or hum; give the file that was played and its own capture"
        )
    return AudioError(
        f"the sweep in the capture is {1e-4 * abs(clock_ppm):.2f} % "
        f"{'longer' if clock_ppm > 0.0 else 'shorter'} than it was played (allowed "
        f"{1e-4 * LARGEST_CLOCK_PPM:g} %): the capture has the wrong sample rate, or is of another "
        "sweep"
    )


def check_noise(signal_to_noise_db: float, least_db: float) -> None:
    """Refuse a capture that is too noisy.

    Raises
    ------
    AudioError
        Says how noisy it is.
    """
    if signal_to_noise_db < least_db:
        raise AudioError(
            f"the capture is too noisy: {signal_to_noise_db:.0f} dB of signal to noise (at least "
            f"{least_db:g} dB); raise the recording level, or play a longer or "
            "louder sweep"
        )


def check_flat(capture: Block, linear: Block, sweep: KnownSweep, delay: int) -> None:
    """Refuse a capture whose extremes are cut flat, by carrier cut-off or anywhere else.

    The waveform is folded over the phase of its fundamental, a sixth of an octave at a time,
    which averages the noise away; then the curvature of its two extremes is compared, as far as
    the noise that is left lets it be known.

    Parameters
    ----------
    capture, linear : ndarray, shape (n,)
        What was recorded and what the linear response alone makes of the sweep.
    sweep : KnownSweep
        What was played.
    delay : int
        Where it begins in both.

    Raises
    ------
    AudioError
        Says at which frequency.
    """
    bins = fft.fft(linear)
    bins[(len(bins) + 1) // 2 :] = 0.0  # the analytic signal: phase and amplitude
    analytic = fft.ifft(2.0 * bins)
    loudest = float(np.abs(analytic).max())
    one = sweep.sweep
    octaves = math.log2(min(HIGHEST_FOLDED_HZ, one.highest_hz) / one.lowest_hz)
    edges_hz = one.lowest_hz * 2.0 ** (
        np.arange(1, int(octaves * SLICES_PER_OCTAVE)) / SLICES_PER_OCTAVE
    )
    seconds = one.time_constant_s * np.log(edges_hz / one.lowest_hz)
    edges = np.clip(delay + np.round(seconds * one.sample_rate_hz).astype(int), 0, len(capture))
    for number in range(len(edges) - 1):
        part = slice(edges[number], edges[number + 1])
        amplitude = np.abs(analytic[part])
        if len(amplitude) < 4 * PHASES or amplitude.mean() < LEAST_OF_PEAK * loudest:
            continue
        top, bottom, noise = _curvatures(capture[part] / amplitude, np.angle(analytic[part]))
        flat = FLATTEST - SURE * noise
        if min(top, bottom) > flat:
            continue
        where = f"around {math.sqrt(edges_hz[number] * edges_hz[number + 1]):.0f} Hz"
        if max(top, bottom) > FLATTEST:
            side = "crests" if top < bottom else "troughs"
            raise AudioError(
                f"the capture's {side} are cut flat {where}: the carrier is cut off (or a crest "
                "saturates); play the sweep at a lower level"
            )
        raise AudioError(
            f"the capture is clipped: crests and troughs are cut flat {where}; turn the detector's "
            "signal down before whatever is overloaded, or play the sweep at a lower level"
        )


def _curvatures(waveform: Block, phase: Floats) -> tuple[float, float, float]:
    """Return how much crest and trough are bent, 1.0 = as a sine's, and how well that is known."""
    place = np.round(phase / (2.0 * np.pi) * PHASES).astype(int) % PHASES
    count = np.maximum(np.bincount(place, minlength=PHASES), 1)
    folded = np.bincount(place, waveform, PHASES) / count
    scatter = np.bincount(place, (waveform - folded[place]) ** 2, PHASES) / count**2
    bends = []
    reach = np.arange(-LOOKED_AT, LOOKED_AT + 1)
    angle = 2.0 * np.pi * reach / PHASES
    columns = np.stack([np.ones(len(reach)), np.sin(angle), 1.0 - np.cos(angle)], axis=1)
    bend = -np.linalg.pinv(columns)[2]
    for wave in (folded, -folded):
        top = int(np.argmax(np.convolve(np.r_[wave[-3:], wave, wave[:3]], np.ones(7), "valid")))
        bends.append(float(np.dot(bend, wave[(top + reach) % PHASES])))
    noise = math.sqrt(float(np.mean(scatter)) * float(np.dot(bend, bend)))
    return bends[0], bends[1], noise


def _db(peak: float) -> str:
    return f"{20.0 * math.log10(peak):.0f} dBFS" if peak > 0.0 else "digital zero"
