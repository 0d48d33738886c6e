"""Where a sweep lies in a capture, and by how much the capture's clock differs.

A sweep that takes longer by a share e arrives later by e L ln(f / f1) at the frequency f: the
response seems to have that group delay.  It is taken out by dividing by a sweep that is longer
by as much.
"""

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from carrierfloor.dsp.deconvolution import Deconvolution
from carrierfloor.dsp.stage import Block
from carrierfloor.dsp.sweep_curves import Curve, linear_curve
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_refusals import LARGEST_CLOCK_PPM, another_sweep, check_whole

Floats = NDArray[np.float64]

LEAST_EXPLAINED = 0.5  # of the capture's power, by a linear response to this sweep
WILDEST = 0.6  # e that is tried at all
DRIFT_FROM_HZ = 150.0  # bands below are late by the path's own group delay
PATH_DELAY_S = 0.002  # by which that may differ between the bands above
PASSES = 3
GOOD_PPM = 0.3  # a smaller step ends the search; the rest is left to the fit of the path
KEPT_BEFORE, KEPT_AFTER_S = 6.0, 2.0  # L ln(first) before the sweep is kept, and so long after it


def locate(capture: Block, sweep: KnownSweep) -> tuple[Block, int, float, int]:
    """Find the sweep and its clock.

    Parameters
    ----------
    capture : ndarray, shape (n,)
        The recording, without DC.
    sweep : KnownSweep
        What was played.

    Returns
    -------
    capture : ndarray, shape (m,)
        What is of use of it.
    delay : int
        Where the sweep begins in that, in samples.
    clock_ppm : float
        How much longer the sweep takes, to some ppm.
    cropped : int
        How many samples were left away at the beginning.

    Raises
    ------
    AudioError
        If the sweep is not there, not whole, or the clock is too far off.
    """
    found = Deconvolution(capture, sweep)
    rough_ppm = 1e6 * _drift(found, sweep)
    doubt_ppm = 1e6 * PATH_DELAY_S / sweep.sweep.time_constant_s
    if abs(rough_ppm) > 1e6 * WILDEST:
        raise another_sweep()
    if abs(rough_ppm) > LARGEST_CLOCK_PPM + doubt_ppm:
        other = Deconvolution(capture, sweep, rough_ppm)
        is_it = _explained(capture, other) > LEAST_EXPLAINED
        raise another_sweep(rough_ppm if is_it else None)
    capture, cropped = _cropped(capture, found.delay, sweep)
    clock_ppm = rough_ppm if abs(rough_ppm) > doubt_ppm else 0.0
    found = Deconvolution(capture, sweep, clock_ppm)
    check_whole(len(capture), sweep.sweep.sample_rate_hz, found.delay, sweep)
    if _explained(capture, found) < LEAST_EXPLAINED:
        raise another_sweep()
    for _ in range(PASSES):
        step = _remaining_ppm(linear_curve(found, sweep, clock_ppm), sweep)
        clock_ppm += step
        found = Deconvolution(capture, sweep, clock_ppm)
        if abs(step) < GOOD_PPM:
            break
    if abs(clock_ppm) > LARGEST_CLOCK_PPM:
        raise another_sweep(clock_ppm)
    return capture, found.delay, clock_ppm, cropped


def _cropped(capture: Block, delay: int, sweep: KnownSweep) -> tuple[Block, int]:
    one = sweep.sweep
    lead = round((one.time_constant_s * math.log(KEPT_BEFORE) + 1.0) * one.sample_rate_hz)
    tail = one.samples + round(KEPT_AFTER_S * one.sample_rate_hz)
    first = max(0, delay - lead)
    return capture[first : max(first, delay + tail)], first


def _explained(capture: Block, found: Deconvolution) -> float:
    rest = capture - found.explained([found.linear])
    return 1.0 - float(np.dot(rest, rest) / np.dot(capture, capture))


def _drift(found: Deconvolution, sweep: KnownSweep) -> float:
    """Return e from when octave bands of the sweep arrive; rough, but of any size."""
    one = sweep.sweep
    bins = fft.rfft(found.impulses)
    highest_hz = one.highest_hz / 1.5
    lowest_hz = min(max(1.5 * one.lowest_hz, DRIFT_FROM_HZ), highest_hz / 1.3)
    count = max(2, math.floor(math.log2(highest_hz / lowest_hz)) + 1)
    centres_hz = np.geomspace(lowest_hz, highest_hz, count)
    places = np.array([_arrival(bins, found, hz, one.sample_rate_hz) for hz in centres_hz])
    columns = np.stack([np.ones(count), one.time_constant_s * np.log(centres_hz)], axis=1)
    weight = np.sqrt(centres_hz)  # high bands have short impulses
    fitted = np.linalg.lstsq(columns * weight[:, np.newaxis], places * weight)[0]
    return float(fitted[1])


def _arrival(
    bins: NDArray[np.complex128], found: Deconvolution, centre_hz: float, rate_hz: float
) -> float:
    """Return when the envelope of an octave is highest, in s after the sweep as a whole."""
    whole = len(found.impulses)
    low, high = (round(hz / rate_hz * whole) for hz in (centre_hz / 2.0, centre_hz * 2.0))
    high = min(high, len(bins))
    octaves = np.log2(np.arange(low, high) * rate_hz / whole / centre_hz)
    size = fft.next_fast_len(high - low)
    envelope = np.abs(fft.ifft(bins[low:high] * (0.5 + 0.5 * np.cos(np.pi * octaves)), size))
    lag = int(np.argmax(envelope)) * whole / size - found.delay
    return float((lag + whole / 2.0) % whole - whole / 2.0) / rate_hz


def clock_phase(frequency_hz: Floats, sweep: KnownSweep) -> Floats:
    """Return the phase that one ppm of drift adds to a response, rad.

    The integral of the group delay e L ln(f / f1).
    """
    one = sweep.sweep
    turns = one.time_constant_s * frequency_hz * (np.log(frequency_hz / one.lowest_hz) - 1.0)
    return np.asarray(-2e-6 * np.pi * turns)


def _remaining_ppm(curve: Curve, sweep: KnownSweep) -> float:
    """Return the drift that is left in a response.

    What the magnitude asks for as phase (minimum phase: H. W. Bode, "Network Analysis and Feedback
    Amplifier Design", 1945, chapter 14) is taken out; the rest is delay, sign and drift.
    """
    one = sweep.sweep
    low_hz = max(4.0 * one.lowest_hz, 60.0)
    kept = (curve.frequency_hz > min(low_hz, one.highest_hz / 4.0)) & (
        np.abs(curve.response) > 0.05 * np.abs(curve.response).max()
    )
    frequency_hz = curve.frequency_hz[kept]
    phase = np.unwrap(np.angle(curve.response)) - minimum_phase(
        curve.frequency_hz, np.abs(curve.response)
    )
    columns = np.stack(
        [np.ones(len(frequency_hz)), frequency_hz / 1000.0, clock_phase(frequency_hz, sweep)],
        axis=1,
    )
    # Of a phase, noise over magnitude; at least a degree, for all that is not minimum phase.
    weight = 1.0 / np.hypot(curve.noise[kept] / np.abs(curve.response[kept]), 0.02)
    fitted = np.linalg.lstsq(columns * weight[:, np.newaxis], phase[kept] * weight)[0]
    return float(fitted[2])


def minimum_phase(frequency_hz: Floats, magnitude: Floats) -> Floats:
    """Return the phase of the minimum-phase system with a magnitude, rad, shape (n,).

    Bode's weighted integral over log frequency; beyond the ends the slope goes on for three
    octaves.
    """
    step = math.log(2.0) / 48.0
    inside = np.arange(math.log(frequency_hz[0]), math.log(frequency_hz[-1]), step)
    level = np.interp(inside, np.log(frequency_hz), np.log(magnitude))
    slope = np.gradient(level, step)
    beyond = 3 * 48
    slope = np.concatenate(
        [np.full(beyond, slope[:12].mean()), slope, np.full(beyond, slope[-12:].mean())]
    )
    away = (np.arange(2 * len(slope) + 1) - len(slope)) * step
    kernel = np.log(1.0 / np.tanh(np.maximum(np.abs(away), step / 5.44) / 2.0))
    phase = np.convolve(slope, kernel, "full")[len(slope) : 2 * len(slope)] * step / np.pi
    return np.asarray(np.interp(np.log(frequency_hz), inside, phase[beyond : beyond + len(inside)]))
