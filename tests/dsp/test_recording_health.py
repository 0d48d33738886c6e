"""What is wrong with a recording is found, and nothing else is changed."""

import math

import numpy as np
import pytest

from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.raw_samples import RAW_FORMATS, from_bytes
from carrierfloor.dsp.recording_health import RecordingHealth, as_iq
from tests.clips import Array


def noise(frames: int = 10_000, channels: int = 2) -> Array:
    return np.asarray(0.2 * np.random.default_rng(1).normal(size=(frames, channels)))


def test_a_good_recording_passes_unchanged() -> None:
    health, samples = RecordingHealth(0.9999), noise()
    got = health.process(samples.copy())
    np.testing.assert_array_equal(got, samples)
    np.testing.assert_array_equal(as_iq(got), samples[:, 0] + 1j * samples[:, 1])
    health.check(48_000)
    health.check_pair()
    assert health.nonfinite_samples == health.clipped_samples == 0


def test_what_is_no_number_becomes_silence() -> None:
    health, samples = RecordingHealth(math.inf), noise()
    samples[5, 0], samples[7, 1], samples[9, 1], samples[11, 0] = math.nan, math.inf, -math.inf, 1e9
    got = health.process(samples)
    assert health.nonfinite_samples == 3
    assert got[5, 0] == got[7, 1] == got[9, 1] == 0.0
    assert got[11, 0] == 1000.0  # 60 dB over full scale is held there


def test_clipping_is_told_with_its_time() -> None:
    health, samples = RecordingHealth(1.0 - 1.5 * 2.0**-15), noise()
    samples[4800:4820] = 32_767 / 32_768
    health.process(samples[:3000])
    health.process(samples[3000:])
    with pytest.raises(AudioError, match=r"40 samples are at full scale, the first at 0\.10 s"):
        health.check(48_000)


def test_floats_may_go_beyond_full_scale() -> None:
    over, clipped = noise(), noise()
    over[100:200] = np.linspace(0.9, 1.5, 100)[:, np.newaxis]
    clipped[100:200] = 1.0
    for samples, is_clipped in ((over, False), (clipped, True)):
        health = RecordingHealth(math.inf)
        health.process(samples)
        if is_clipped:
            with pytest.raises(AudioError, match="the recording is clipped"):
                health.check(48_000)
        else:
            health.check(48_000)


def test_pairs_that_are_no_iq() -> None:
    one = noise(channels=1)
    for samples, words in (
        (np.hstack([one, one]), "both channels are the same"),
        (np.hstack([0.0 * one, one]), "channel 1 is silent"),
    ):
        health = RecordingHealth(1.0)
        health.process(samples)
        with pytest.raises(AudioError, match=words):
            health.check_pair()
    health = RecordingHealth(1.0)
    health.process(np.zeros((10, 2)))
    with pytest.raises(AudioError, match="is silent"):
        health.check(48_000)


def test_channels_that_are_one_signal_may_be_mixed() -> None:
    """Equal, a little unequal, with noise 40 dB down; not two signals, a faint or a turned one."""
    both = noise()
    one, other = both[:, :1], both[:, 1:]
    for second in (one, 0.8 * one, one + 0.01 * other):
        health = RecordingHealth(1.0)
        health.process(np.hstack([one, second]))
        health.check_alike()
    for second, words in (
        (other, "not one signal"),
        (one + 0.1 * other, "not one signal"),
        (-one, "not one signal"),
        (0.01 * one, "channel 2 holds next to nothing"),
    ):
        health = RecordingHealth(1.0)
        health.process(np.hstack([one, second]))
        with pytest.raises(AudioError, match=words):
            health.check_alike()


@pytest.mark.parametrize(
    ("name", "content", "values"),
    [
        ("u8", bytes([0, 255, 127, 128]), [-1.0, 1.0, -1 / 255, 1 / 255]),
        ("s8", bytes([128, 127, 0]), [-1.0, 127 / 128, 0.0]),
        ("s16", b"\x00\x80\xff\x7f\x00\x40", [-1.0, 32_767 / 32_768, 0.5]),
        ("f32", b"\x00\x00\x80\x3f\x00\x00\x00\xbf", [1.0, -0.5]),
    ],
)
def test_raw_samples(name: str, content: bytes, values: list[float]) -> None:
    """Little-endian, worked out by hand."""
    stored_as = RAW_FORMATS[name]
    got = from_bytes(content, stored_as)
    assert got == pytest.approx(values)
    full = np.abs(got) >= stored_as.highest
    codes_at_full = {"u8": 2, "s8": 2, "s16": 2, "f32": 0}
    assert np.count_nonzero(full) == codes_at_full[name]
