"""The sound servers of the tests carry every sample as it is, and can lose a cable."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from tests.audio_server import RATE_HZ, Floats, JackServer, PulseServer, Recording, Server

pytestmark = pytest.mark.device

PATIENCE_S = 30.0


@pytest.fixture(params=[PulseServer, JackServer])
def server(request: pytest.FixtureRequest) -> Iterator[Server]:
    with request.param() as running:
        yield running


def noise(seed: int, *shape: int) -> Floats:
    """Values of 24 bits, none of them 0."""
    steps = np.random.default_rng(seed).integers(1, 2**23, shape)
    return (steps / 2**23).astype(np.float32)


def play(server: Server, cable: str, sound: Floats | Path) -> Recording:
    with server.recording(cable) as recording, server.talker(cable, sound) as talker:
        assert talker.wait(PATIENCE_S) == 0
    return recording


def heard(recording: Recording) -> Floats:
    """Cut the silence around the sound off."""
    there = np.flatnonzero(recording.samples.any(axis=1))
    return recording.samples[there[0] : there[-1] + 1]


def test_what_is_played_arrives_bit_by_bit(server: Server, tmp_path: Path) -> None:
    stereo, mono = noise(1, RATE_HZ, 2), noise(2, RATE_HZ // 2 + 77)
    np.testing.assert_array_equal(heard(play(server, "cable_a", stereo)), stereo)
    both = np.column_stack((mono, mono))
    np.testing.assert_array_equal(heard(play(server, "cable_b", mono)), both)
    sf.write(tmp_path / "a.wav", mono, RATE_HZ, "PCM_24")
    np.testing.assert_array_equal(heard(play(server, "cable_b", tmp_path / "a.wav")), both)


def test_a_talker_may_be_stopped_at_any_time(server: Server) -> None:
    sound = noise(3, 60 * RATE_HZ)
    with server.recording("cable_a") as recording, server.talker("cable_a", sound) as talker:
        while len(recording.samples) < RATE_HZ or not recording.samples[-RATE_HZ // 2 :].any():
            assert talker.poll() is None
    got = heard(recording)
    np.testing.assert_array_equal(got[:, 0], sound[: len(got)])


def test_a_cable_comes_and_goes() -> None:
    sound = noise(4, RATE_HZ // 4)
    with PulseServer() as server:
        server.unload("cable_b")
        server.load("cable_b")
        np.testing.assert_array_equal(heard(play(server, "cable_b", sound))[:, 0], sound)
