import dataclasses
import math

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.level_match import LevelMatch
from carrierfloor.dsp.stage import HOP
from carrierfloor.dsp.voice import Voice
from tests.clips import Array, rig, sound
from tests.dsp.desk_runs import open_desk, stretches

RATE_HZ = 48_000
HOPS_A_SECOND = RATE_HZ // HOP


def made(seconds: float, level_db: float, slots_db: dict[int, float]) -> Array:
    """Make readings of a steady level; what is not a slot gives nothing."""
    readings = np.zeros((round(seconds * HOPS_A_SECOND), at.READING))
    readings[:, at.INPUT_ENERGY] = HOP * 10 ** (level_db / 10)
    for slot, slot_db in slots_db.items():
        readings[:, at.SLOT_ENERGY + slot] = HOP * 10 ** ((level_db + slot_db) / 10)
    return readings


def driven(drive_db: float) -> Voice:
    """Return a voice that is nothing but a gain."""
    design = next(stage for stage in presets.voice("everyday").stages if stage.kind == "drive")
    gain = dataclasses.replace(design, drive_db=drive_db)  # type: ignore[call-arg]
    return dataclasses.replace(presets.voice("bypass"), stages=(gain,))


def test_gains_of_known_voices_on_real_speech() -> None:
    """Voices that differ by a gain only must be brought together by just that gain."""
    voices = {"A": driven(0.0), "B": driven(7.0), "C": driven(-2.5)}
    desk = open_desk(rig(), voices, "A")
    slots = [desk.slot_of(name) for name in voices]
    match = LevelMatch()
    for stretch in stretches(desk, sound("evening_round_female")[: 4 * RATE_HZ]):
        match.feed(stretch.readings, slots)
    gains = match.gains_db()
    assert [gains[slot] for slot in slots] == pytest.approx([-2.5, -9.5, 0.0], abs=1e-6)


def test_matched_voices_are_equally_loud() -> None:
    """Two real voices: the energy behind them, over the time when somebody speaks."""
    voices = {"A": presets.voice("gentle"), "B": presets.voice("dense")}
    desk = open_desk(rig(), voices, "A")
    slots = [desk.slot_of(name) for name in voices]
    match, readings = LevelMatch(), []
    for stretch in stretches(desk, sound("evening_round_male")[: 9 * RATE_HZ]):
        match.feed(stretch.readings, slots)
        readings.append(stretch.readings)
    last = np.concatenate(readings)[-5 * HOPS_A_SECOND :]
    total = last[:, [at.SLOT_ENERGY + slot for slot in slots]].sum(axis=0)
    gains = match.gains_db()
    louder_db = 10 * math.log10(total[1] / total[0])
    assert abs(louder_db) > 2.0
    assert gains[slots[0]] - gains[slots[1]] == pytest.approx(louder_db, abs=0.7)
    assert max(gains.values()) == 0.0


def test_nothing_until_enough_was_heard() -> None:
    match = LevelMatch()
    assert match.gains_db() == {}
    match.feed(made(0.9, -20.0, {0: 0.0, 1: 6.0}), [0, 1])
    assert match.gains_db() == {0: 0.0, 1: 0.0}
    match.feed(made(0.2, -20.0, {0: 0.0, 1: 6.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -6.0})


def test_pauses_do_not_count() -> None:
    """In the pause the gate of one voice is shut; a minute of it changes nothing."""
    match = LevelMatch()
    match.feed(made(5, -20.0, {0: 0.0, 1: 6.0}), [0, 1])
    match.feed(made(60, -57.0, {0: 0.0, 1: -30.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -6.0})


def test_a_thump_does_not_stop_it_for_long() -> None:
    """40 dB over the speech; 0.1 dB/s later, after 100 s, speech counts again."""
    match = LevelMatch()
    match.feed(made(2, -40.0, {0: 0.0, 1: 6.0}), [0, 1])
    match.feed(made(0.01, 0.0, {0: 0.0, 1: 6.0}), [0, 1])
    match.feed(made(99, -40.0, {0: 0.0, 1: 12.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -6.0})
    match.feed(made(60, -40.0, {0: 0.0, 1: 12.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -12.0}, abs=0.01)


def test_the_mean_is_leaky() -> None:
    """A voice that changes is followed with 5 s: after a step, 1 - 1/e of the way in energy."""
    match = LevelMatch()
    match.feed(made(60, -20.0, {0: 0.0, 1: 10.0}), [0, 1])
    match.feed(made(5, -20.0, {0: 0.0, 1: 0.0}), [0, 1])
    mean = 1.0 + 9.0 * math.exp(-1.0)
    assert match.gains_db()[1] == pytest.approx(-10 * math.log10(mean), abs=0.01)


def test_limits() -> None:
    match = LevelMatch()
    match.feed(made(2, -20.0, {0: -50.0, 1: 10.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -30.0})


def test_another_voice_in_a_slot_begins_anew() -> None:
    """Slot 1 gives way to slot 2, which was heard in silence before; later 1 is used again."""
    match = LevelMatch()
    match.feed(made(5, -20.0, {0: 0.0, 1: 6.0}), [0, 1])
    match.feed(made(2, -20.0, {0: 0.0, 1: 6.0, 2: 3.0}), [0, 1])
    match.feed(made(0.1, -20.0, {0: 0.0, 2: 3.0}), [0, 2])
    assert match.gains_db() == pytest.approx({0: 0.0, 2: -3.0})
    match.feed(made(2, -20.0, {0: 0.0, 1: 12.0, 2: 3.0}), [0, 2])
    match.feed(made(0.1, -20.0, {0: 0.0, 1: 12.0}), [0, 1])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -12.0})


def test_a_voice_too_new_is_left_alone() -> None:
    match = LevelMatch()
    match.feed(made(5, -20.0, {0: 0.0, 1: 6.0}), [0, 1])
    match.feed(made(0.5, -20.0, {0: 0.0, 1: 6.0, 2: 9.0}), [0, 1, 2])
    assert match.gains_db() == pytest.approx({0: 0.0, 1: -6.0, 2: 0.0})
