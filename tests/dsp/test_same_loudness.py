"""What another signal does at the antenna when it is made as dense as ours.

Closed form for one tone of index m > 1 through a flat path: the carrier is off for
arccos(1 / m) / pi of the time, once a cycle.
"""

import math

import numpy as np
import pytest

from carrierfloor.dsp.same_loudness import SameLoudness
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from tests import clips

SECONDS = 2.0


def tone(peak: float, frequency_hz: float = 200.0) -> Block:
    t = np.arange(round(SECONDS * SAMPLE_RATE_HZ)) / SAMPLE_RATE_HZ
    return np.asarray(peak * np.sin(2 * np.pi * frequency_hz * t))


def followed(samples: Block, signal: SameLoudness) -> SameLoudness:
    for start in range(0, len(samples), 5000):
        signal.feed(samples[start : start + 5000])
    signal.finish()
    return signal


@pytest.mark.parametrize("peak", [0.001, 0.3, 1.7])
@pytest.mark.parametrize("index", [1.05, 1.25, 2.0])
def test_cut_offs_of_an_overmodulating_tone(index: float, peak: float) -> None:
    """Whatever its own level; the grid of depths has steps of 0.05 dB, 0.6 %."""
    signal = followed(tone(peak), SameLoudness(clips.rig()))
    assert signal.density == pytest.approx(peak / math.sqrt(2.0), rel=0.02)
    found = signal.at(signal.density * index / peak)
    assert found.negative_peak == pytest.approx(index, rel=1e-3)
    assert found.positive_peak == pytest.approx(index, rel=1e-3)
    assert found.gain_db == pytest.approx(20 * math.log10(index / peak), abs=1e-6)
    assert found.cutoffs == SECONDS * 200.0
    lowest, highest = (
        SECONDS * math.acos(min(1.0, 1.0 / (index * slip))) / math.pi for slip in (0.993, 1.007)
    )
    a_sample_a_cycle = SECONDS * 200.0 / SAMPLE_RATE_HZ
    assert lowest - a_sample_a_cycle <= found.cutoff_total_s <= highest + a_sample_a_cycle


def test_a_tone_below_full_modulation_never_cuts_off() -> None:
    signal = followed(tone(0.5), SameLoudness(clips.rig()))
    found = signal.at(signal.density * 0.98 / 0.5)
    assert (found.cutoffs, found.cutoff_total_s) == (0, 0.0)


def test_level_and_polarity_of_the_rig() -> None:
    """Half of full modulation downward, for a rig that turns the sample value over."""
    pulse = np.maximum(0.0, tone(1.0))
    full = -(10 ** (-6 / 20))
    signal = followed(0.5 * full * pulse, SameLoudness(clips.rig(), full))
    own = signal.at(signal.density)
    assert own.positive_peak == pytest.approx(0.5, abs=0.01)
    assert own.negative_peak == pytest.approx(0.0, abs=0.01)


def test_the_worst_path_counts() -> None:
    """A resonant path raises its centre by its q, a flat one does not."""
    resonant = [{"kind": "lowpass", "corner_hz": 3000.0, "q": 2.0}]
    flat = [{"kind": "highpass", "corner_hz": 1.0}]
    signal = followed(tone(0.5, 3000.0), SameLoudness(clips.rig([flat, resonant])))
    found = signal.at(signal.density)
    reference = 1.0 / abs(1 - (1 / 3) ** 2 + 1j / 6)  # gain of that section at 1 kHz
    assert found.negative_peak == pytest.approx(0.5 * 2.0 / reference, rel=0.02)


def test_silence_does_nothing() -> None:
    found = followed(np.zeros(1000), SameLoudness(clips.rig())).at(0.3)
    assert (found.gain_db, found.negative_peak, found.cutoffs) == (-math.inf, 0.0, 0)
