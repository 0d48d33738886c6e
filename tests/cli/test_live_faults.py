"""Each fault on a real server, with loud speech running: silence or correct audio, and back.

Throughout, what a listener at the far end hears is judged by tests/reference/antenna.py, from
before the first sound to after the last, gaps included.  ``pytest -rP`` shows the figures.
"""

import os
import signal
import time
from collections.abc import Callable
from contextlib import ExitStack
from itertools import pairwise

import numpy as np
import pytest

from tests.audio_server import RATE_HZ, JackServer, PulseServer, Server
from tests.live_faults_support import (
    Live,
    feeding,
    microphone,
    observed,
    plug_in,
    speaking,
    speech,
)
from tests.live_heard import (
    FULL_MODULATION,
    NEGATIVE_LIMIT,
    PATH,
    POSITIVE_LIMIT,
    TOLERANCE,
    Outcome,
    runs,
    stretches,
    without_traces,
)
from tests.reference import antenna
from tests.tried_again import tried_again

pytestmark = pytest.mark.device

PULSE = ("cable_a_mon", "cable_b_out")
JACK_PERIOD = 1024  # it seldom is late then, even on a busy machine
JACK = ("cable_a", "cable_b")
SAME = 1e-4  # the recorded microphone is rounded to 24 bit, and the chain has a gain
BACK_S = 30.0  # patience with a session that comes back
AFTERWARDS_S = 1.5
COMPARED = RATE_HZ // 4


def note(what: str, value: object) -> None:
    print(f"{what}: {value}")


def assert_sound(outcome: Outcome) -> None:
    """Assert silence or correct audio at every instant."""
    heard, audible = outcome.heard, without_traces(outcome.heard)
    assert np.isfinite(heard).all()
    assert np.abs(heard).max() <= 1.0
    verdict = antenna.judge(heard, RATE_HZ, FULL_MODULATION, PATH, 8)
    note("trough", verdict.trough)
    note("crest", verdict.crest)
    pieces, strange = outcome.pieces()
    note("pieces", [(p.heard / RATE_HZ, p.sent / RATE_HZ, p.length / RATE_HZ) for p in pieces])
    note("beside the chain", outcome.beside_the_chain)
    assert strange == 0, f"{strange} samples were never sent"
    for one, after in pairwise(pieces):
        assert after.sent >= one.sent + one.length, "something was heard twice"
        between = audible[one.heard + one.length : after.heard]
        assert len(between) > 0, "a jump from sound to sound"
        assert not between.any()
    assert verdict.trough <= NEGATIVE_LIMIT + TOLERANCE
    assert verdict.crest <= POSITIVE_LIMIT + TOLERANCE
    assert verdict.cutoffs == 0
    assert outcome.beside_the_chain.compared > COMPARED
    assert outcome.beside_the_chain.furthest < SAME


def heard_s(outcome: Outcome) -> float:
    """Return for how long there was sound."""
    return sum(piece.length for piece in outcome.pieces()[0]) / RATE_HZ


def assert_ramped_down(outcome: Outcome) -> None:
    """Assert that the fader went down before the devices, kept for 50 ms more, were given up."""
    loads = outcome.beside_the_chain.loads[1:]
    assert loads
    for load in loads:
        sound = np.flatnonzero(outcome.sent[:load])[-1]
        note("silent before the restart, ms", 1000 * (load - sound) / RATE_HZ)
        assert load - sound >= 0.010 * RATE_HZ


@pytest.mark.parametrize(
    ("make", "ends"), [(PulseServer, PULSE), (lambda: JackServer(JACK_PERIOD), JACK)]
)
@tried_again
def test_server_killed(make: Callable[[], Server], ends: tuple[str, str]) -> None:
    with make() as server, observed(server, ends, speech(30)) as live:
        fault = live.moment()
        server.kill()
        note("notice s", live.wait_for_state("silent", fault, 5.0) - fault.at_s)
        time.sleep(1.0)
        begun = live.moment()
        server.start_again()
        note("back s", live.wait_for_state("on", begun, BACK_S) - begun.at_s)
        live.listen()
        with speaking(server, speech(10)):
            time.sleep(AFTERWARDS_S)
    assert_sound(live.outcome)
    assert len(live.outcome.restarts) >= 1
    note("remarks", live.outcome.remarks)


@tried_again
def test_server_killed_and_no_reconnecting() -> None:
    with PulseServer() as server, observed(server, PULSE, speech(30), "--no-reconnect") as live:
        server.kill()
        begun_s = time.monotonic()
        assert live.process.wait(5.0) == 2
        note("left s", time.monotonic() - begun_s)
        lines = [line for line in live.output.splitlines() if not line.startswith("{")]
        note("lines", lines)
        assert len(lines) == 3  # two are the caution
        assert lines[-1].startswith("carrierfloor live: ")
    assert_sound(live.outcome)


@tried_again
def test_source_unplugged() -> None:
    """PulseAudio moves the microphone to the monitor of our own output: feedback."""
    with PulseServer() as server, microphone(server) as pipe, ExitStack() as talking:
        server.unload("cable_a")  # what is left is the output's own monitor
        server.prefer_source("cable_b.monitor")  # else the listener goes to a new source too
        talking.enter_context(feeding(pipe, speech(30)))
        with observed(server, ("microphone", "cable_b_out"), None) as live:
            fault = live.moment()
            server.unload("microphone")
            talking.close()
            note("notice s", live.wait_for_state("silent", fault, 5.0) - fault.at_s)
            time.sleep(1.5)
            begun = live.moment()
            plug_in(server)
            with feeding(pipe, speech(30)):
                note("back s", live.wait_for_state("on", begun, BACK_S) - begun.at_s)
                time.sleep(AFTERWARDS_S)
        note("remarks", live.outcome.remarks)
        note("silent after s", live.outcome.gap_after(fault.heard, RATE_HZ // 4))
        assert_ramped_down(live.outcome)
        assert_sound(live.outcome)


@tried_again
def test_sink_unplugged() -> None:
    with PulseServer() as server, observed(server, PULSE, speech(30)) as live:
        fault = live.moment()
        live.stop_listening()
        server.unload("cable_b")
        note("notice s", live.wait_for_state("silent", fault, 5.0) - fault.at_s)
        time.sleep(1.0)
        begun = live.moment()
        server.load("cable_b")
        live.listen()
        note("back s", live.wait_for_state("on", begun, BACK_S) - begun.at_s)
        time.sleep(AFTERWARDS_S)
    note("remarks", live.outcome.remarks)
    assert_sound(live.outcome)


@tried_again
def test_steering_frozen_and_interpreters_held_up() -> None:
    """The sound knows nothing of it, nor of a listener that is gone."""
    with PulseServer() as server, observed(server, PULSE, speech(30)) as live:
        live.freeze(live.process.pid, 2.0)
        live.hold_back(live.audio_process_id)
        live.hold_back(live.process.pid)
        time.sleep(0.5)
        live.stop_listening()
        time.sleep(0.5)
        live.listen()
        time.sleep(1.0)
    assert_sound(live.outcome)
    begin, end = stretches(live.outcome.heard)[0][0], stretches(live.outcome.heard)[-1][1]
    note("silent s", silent_s := (end - begin) / RATE_HZ - heard_s(live.outcome) - 1.0)
    assert silent_s < 0.5  # of more than 8; a busy machine may have been late
    assert live.outcome.restarts == []


def kill(live: Live) -> None:
    os.kill(live.audio_process_id, signal.SIGKILL)


def freeze(live: Live) -> None:
    live.freeze(live.audio_process_id, 2.0)


@pytest.mark.parametrize("harm", [kill, freeze])
@tried_again
def test_audio_process_harmed(harm: Callable[[Live], None]) -> None:
    with PulseServer() as server, observed(server, PULSE, speech(30)) as live:
        fault = live.moment()
        harm(live)
        note("notice s", live.wait_for_state("silent", fault, 5.0) - fault.at_s)
        note("back s", live.wait_for_state("on", fault, BACK_S) - fault.at_s)
        time.sleep(AFTERWARDS_S)
    note("remarks", live.outcome.remarks)
    note("silent after s", live.outcome.gap_after(fault.heard))
    assert_sound(live.outcome)


@tried_again
def test_server_frozen() -> None:
    with PulseServer() as server, observed(server, PULSE, speech(30)) as live:
        fault = live.moment()
        live.freeze(server.process.pid, 2.0)
        note("back s", live.wait_for_state("on", fault, BACK_S) - fault.at_s)
        time.sleep(AFTERWARDS_S)
    note("remarks", live.outcome.remarks)
    assert_sound(live.outcome)


def test_not_numbers() -> None:
    """JACK passes what is no number; a sample of it, a tenth of a second, a whole second."""
    sound = speech(6)
    sound[2 * RATE_HZ] = np.nan
    sound[2 * RATE_HZ + 7000] = np.inf
    sound[3 * RATE_HZ : 3 * RATE_HZ + 4800] = -np.inf
    sound[4 * RATE_HZ : 5 * RATE_HZ] = np.nan
    with JackServer(JACK_PERIOD) as server, observed(server, JACK, sound) as live:
        live.talker.wait(60.0)
    assert_sound(live.outcome)
    assert live.outcome.restarts == []
    assert heard_s(live.outcome) > 3.0
    raw = live.outcome.raw  # a whole second of zeros in place of what was no number
    assert any(last - first == RATE_HZ for first, last in runs(raw[:-1] == 0.0, RATE_HZ))


def test_40_db_over_full_scale() -> None:
    sound = 100.0 * speech(4)
    with JackServer(JACK_PERIOD) as server, observed(server, JACK, sound) as live:
        live.talker.wait(60.0)
    assert np.abs(live.outcome.raw).max() > 0.999
    live.outcome.unclip(sound.astype(float))
    assert_sound(live.outcome)
    assert live.outcome.restarts == []
    assert heard_s(live.outcome) > 2.0
