"""A live desk run in this process, as the tests of what watches it need it."""

from collections.abc import Iterator

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.desk import MEMORY_BYTES, Desk
from carrierfloor.dsp.desk_kernel import run_desk
from carrierfloor.dsp.desk_reader import DeskReader, Stretch
from carrierfloor.dsp.engine import engine
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import HOP
from carrierfloor.dsp.voice import Voice
from tests.clips import Array

STRETCH_SAMPLES = 19 * HOP  # as much as comes between two looks, about 50 ms


def open_desk(rig: Rig, voices: dict[str, Voice], heard: str) -> Desk:
    """Set a desk up and let it run, fader open."""
    desk = Desk(bytearray(MEMORY_BYTES))
    desk.whole[at.ENGINE] = engine().address
    desk.set_up(rig, voices, heard)
    desk.start()
    desk.open()
    return desk


def stretches(desk: Desk, microphone: Array, samples: int = STRETCH_SAMPLES) -> Iterator[Stretch]:
    """Run a desk; yield every stretch, as a program that watches it sees them."""
    reader = DeskReader(desk.words, desk.whole)
    for start in range(0, len(microphone), samples):
        block = microphone[start : start + samples].copy()
        run_desk(desk.words, desk.whole, block)
        yield reader.advance()
