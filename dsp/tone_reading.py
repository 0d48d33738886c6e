"""Is the envelope one steady tone, two of them, or neither: decided by what is there."""

import math
from dataclasses import dataclass

import numpy as np

from carrierfloor.dsp.harmonics import OneTone, line_error, one_tone, orders_within
from carrierfloor.dsp.intermodulation import APART_TURNS, TwoTones, two_tones
from carrierfloor.dsp.sine_fit import SineFit, fit_frequencies, fit_sines, strongest_line
from carrierfloor.dsp.stage import Block

LOWEST_HZ = 30.0
SHORTEST_S = 0.5
LEAST_AMPLITUDE = 0.02  # 2 % of modulation; hum may be as strong
SECOND = 0.1  # of the first tone's amplitude; a weaker line is no tone
# A second line that is weaker than this and lower than the first is hum, as rectifiers make it.
HUM, HUM_HZ = 0.3, 400.0
EXPLAINED = 0.8  # of the power, by tones and their products; speech and noise stay below
STEADY = 0.05  # rms change of a tone from part to part, beyond what noise does
PARTS, PERIODS = 8, 4  # so many parts, of so many periods of tone and beat at least
MAINS_HZ, MAINS_WITHIN_HZ, MAINS_AMPLITUDE = (50.0, 60.0), 0.5, 0.1


@dataclass(frozen=True)
class NoTone:
    """Neither one steady tone nor two."""

    why: str  # goes on after "no steady tone: "


Reading = OneTone | TwoTones | NoTone


def read_tones(samples: Block, rate_hz: float, highest_hz: float) -> Reading:
    """Look for one or two steady tones and measure them.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        m, 1.0 = 100 %; half a second to some seconds.
    rate_hz : float
        Of the samples.
    highest_hz : float
        What the recording passes.

    Returns
    -------
    OneTone, TwoTones or NoTone
    """
    if len(samples) < SHORTEST_S * rate_hz:
        return NoTone(f"{len(samples) / rate_hz:.2g} s are too short; {SHORTEST_S:g} s are needed")
    first_hz, amplitude, share = strongest_line(samples, rate_hz, LOWEST_HZ, highest_hz)
    if amplitude < LEAST_AMPLITUDE:
        return NoTone(f"the strongest line is {100.0 * amplitude:.2g} % of modulation")
    first = fit_frequencies(samples, rate_hz, np.array([first_hz]))
    if _is_hum(first):
        return NoTone(f"the strongest line is hum at {first.frequency_hz[0]:.1f} Hz")
    tones = _with_second(samples, rate_hz, highest_hz, first)
    order = np.argsort(tones.frequency_hz)
    found_hz = tones.frequency_hz[order]
    reading: OneTone | TwoTones
    if len(found_hz) == 2:
        reading = two_tones(samples, rate_hz, found_hz[0], found_hz[1], highest_hz)
    else:
        reading = one_tone(samples, rate_hz, found_hz[0], highest_hz)
    explained = 1.0 - reading.rest_rms**2 / float(np.var(samples))
    if explained < EXPLAINED:
        return NoTone(
            f"the strongest line, {first_hz:.0f} Hz, holds {100.0 * share:.0f} % of the power, and "
            f"{'two lines' if len(found_hz) == 2 else 'it'} with all products "
            f"{100.0 * max(0.0, explained):.0f} %; it would be {100.0 * EXPLAINED:.0f} % or more"
        )
    change = _change(samples, rate_hz, tones, reading.rest_rms)
    if change > STEADY:
        return NoTone(
            f"the line at {first_hz:.0f} Hz changes by {100.0 * change:.0f} % from part to part"
        )
    return reading


def _is_hum(fit: SineFit) -> bool:
    """Tell a line of the mains or its multiples that is no stronger than hum."""
    line_hz = float(fit.frequency_hz[0])
    near = any(
        abs(line_hz - round(line_hz / mains_hz) * mains_hz) < MAINS_WITHIN_HZ
        for mains_hz in MAINS_HZ
    )
    return near and line_hz <= HUM_HZ and bool(np.abs(fit.amplitude[0]) < MAINS_AMPLITUDE)


def _with_second(samples: Block, rate_hz: float, highest_hz: float, first: SineFit) -> SineFit:
    """Add a second tone if there is one beside the first and its harmonics."""
    first_hz, first_amplitude = float(first.frequency_hz[0]), float(np.abs(first.amplitude[0]))
    orders = np.arange(1.0, orders_within(first_hz, highest_hz) + 1.0)
    rest = fit_sines(samples, rate_hz, orders * first_hz).rest(samples, rate_hz)
    second_hz, second, _ = strongest_line(rest, rate_hz, LOWEST_HZ, highest_hz)
    ratio = second / first_amplitude
    apart_turns = abs(second_hz - first_hz) * len(samples) / rate_hz
    if ratio < SECOND or (ratio < HUM and second_hz < min(HUM_HZ, first_hz)):
        return first
    if apart_turns < APART_TURNS:  # the first one is not steady
        return first
    return fit_frequencies(samples, rate_hz, np.array([first_hz, second_hz]))


def _change(samples: Block, rate_hz: float, tones: SineFit, rest_rms: float) -> float:
    """Return how much the tones change from part to part, less what noise accounts for.

    A frequency that wanders counts, as it turns the phase of a part.
    """
    lowest_hz = float(np.min([*tones.frequency_hz, *np.abs(np.diff(tones.frequency_hz))]))
    parts = max(2, min(PARTS, int(len(samples) / rate_hz * lowest_hz / PERIODS)))
    length = len(samples) // parts
    strongest = int(np.argmax(np.abs(tones.amplitude)))
    squares = []
    for part in range(parts):
        piece = samples[part * length : (part + 1) * length]
        middle_s = (part * length + (length - 1) / 2.0 - (len(samples) - 1) / 2.0) / rate_hz
        here = fit_sines(piece, rate_hz, tones.frequency_hz).amplitude
        there = tones.amplitude * np.exp(2j * np.pi * tones.frequency_hz * middle_s)
        squares.append(np.square(np.abs(here[strongest] / there[strongest] - 1.0)))
    noise = line_error(rest_rms, length) / float(np.abs(tones.amplitude[strongest]))
    return math.sqrt(max(0.0, float(np.mean(squares)) - 2.0 * noise**2))
