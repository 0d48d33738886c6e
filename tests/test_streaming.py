"""A chain gives the same samples however its input is cut, and is as new after a reset."""

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from tests import clips
from tests.reference import nasty, remedies

PATH = "second-order 40 Hz and 7 kHz"


def fresh(voice: str) -> Chain:
    """Return a chain nobody has used."""
    return Chain(clips.voice(voice), clips.rig(nasty.PATHS[PATH]))


def awkward_sound() -> clips.Array:
    """Return speech with silence, a burst of NaN and a shout in it."""
    speech = clips.sound("M2_harvard_phrases")[20_000:50_000]
    holes = np.full(300, np.nan)
    return np.concatenate((np.zeros(777), speech, holes, 10 * speech[:9000], np.zeros(5000)))


def cuts_of(length: int, block: int) -> list[int]:
    """Return where to cut: each ``block`` samples, or at random for 0."""
    if block:
        return list(range(block, length, block))
    return [int(cut) for cut in np.cumsum(np.random.default_rng(7).integers(1, 2000, 200))]


@pytest.mark.parametrize("voice", presets.names("voices"))
@pytest.mark.parametrize("block", [7, 64, 480, 4096, 0])
def test_cutting_changes_no_bit(voice: str, block: int) -> None:
    samples = awkward_sound()
    whole = clips.run(clips.chain(voice, PATH), samples)
    cut = clips.run(clips.chain(voice, PATH), samples, cuts_of(len(samples), block))
    np.testing.assert_array_equal(cut, whole)


def test_single_samples_change_no_bit() -> None:
    samples = awkward_sound()[10_000:20_000]
    whole = clips.run(clips.chain(presets.DEFAULT_VOICE, PATH), samples)
    cut = clips.run(clips.chain(presets.DEFAULT_VOICE, PATH), samples, cuts_of(len(samples), 1))
    np.testing.assert_array_equal(cut, whole)


def test_no_samples_give_no_samples() -> None:
    chain = clips.chain(presets.DEFAULT_VOICE, PATH)
    assert len(chain.process(np.zeros(0))) == 0
    chain.process(np.ones(100))
    assert len(chain.process(np.zeros(0))) == 0


@pytest.mark.parametrize("voice", presets.names("voices"))
def test_reset_gives_a_fresh_chain(voice: str) -> None:
    chain = fresh(voice)
    first = clips.run(chain, awkward_sound())
    chain.reset()
    np.testing.assert_array_equal(clips.run(chain, awkward_sound()), first)


def test_reset_in_the_middle() -> None:
    chain = fresh(presets.DEFAULT_VOICE)
    chain.process(clips.sound("F1_harvard_phrases")[:33_333])
    chain.reset()
    unused = fresh(presets.DEFAULT_VOICE)
    samples = awkward_sound()
    np.testing.assert_array_equal(clips.run(chain, samples), clips.run(unused, samples))
    assert chain.meters == unused.meters


@pytest.mark.parametrize("voice", presets.names("voices"))
def test_silence_gives_silence(voice: str) -> None:
    """Exact zeros from the start, and again some seconds after a sound."""
    chain = clips.chain(voice, PATH)
    assert not chain.process(np.zeros(48_000)).any()
    chain.process(clips.sound("M1_harvard_phrases")[:48_000])
    chain.process(np.zeros(4 * 48_000))
    assert np.abs(chain.process(np.zeros(48_000))).max() < 1e-12


def test_bypass_only_delays_what_is_within_the_limits() -> None:
    """Below the limits nothing changes but level and the stated delay, to the sample."""
    quiet = remedies.band_limit(0.2 * clips.sound("F2_harvard_phrases"), nasty.RATE_HZ, 4000, 5000)
    chain = Chain(clips.voice("bypass"), clips.rig())
    out = clips.run(chain, quiet)
    assert len(out) == len(quiet) + chain.latency_samples
    inner = slice(9600, len(quiet) - 9600)
    expected = quiet[inner] * 10 ** (-6 / 20)
    error = out[chain.latency_samples :][inner] - expected
    assert np.abs(error).max() < 2e-4 * np.abs(expected).max()  # ripple of an 80 dB low-pass


def test_default_voice_is_late_by_15_ms_at_most() -> None:
    assert Chain(clips.voice(), clips.rig()).latency_samples <= 0.015 * nasty.RATE_HZ
