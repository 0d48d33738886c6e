"""An adaptive bridge between two simulated clocks, with callbacks that come late at random.

The truth is the simulation's own: how fast each side's device really moves its samples.
"""

import threading

import numpy as np
import pytest

from carrierfloor.dsp.bridge import bridge_coefficients, bridge_meters, bridge_state
from carrierfloor.dsp.bridge_kernel import bridge_clear, bridge_read, bridge_ready, bridge_write
from carrierfloor.dsp.bridge_layout import DRIFT, INDEX, WRITTEN
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

TONE_HZ = 997
HONEST, CONSTANT, WILD = 0, 1, 2  # what the clock says that both callbacks look at

# A simulated pair of devices: how they run, then how far they are.
WRITE_HZ, READ_HZ, WRITE_BLOCK, READ_BLOCK, LATE_S, CLOCK = range(6)
NOW_S, TO_WRITE_S, TO_READ_S, PLACE, DRAWN = range(6, 11)

CHANCES = np.random.default_rng(1).random(9_973)  # drawn in turn


@kernel
def draw(pair: Block) -> float:
    """Return the next random number from 0 to 1."""
    pair[DRAWN] += 1.0
    return float(CHANCES[int(pair[DRAWN]) % CHANCES.shape[0]])


@kernel
def told_s(pair: Block) -> float:
    """Return what the clock says."""
    if pair[CLOCK] == CONSTANT:
        return 7.0
    if pair[CLOCK] == WILD:
        chance = draw(pair)
        if chance < 0.5:
            return np.nan if chance < 0.25 else np.inf
        return (chance - 0.75) * 1e9
    return float(pair[NOW_S])


@kernel
def run(
    coefficients: Block, state: Block, pair: Block, source: Block, out: Block, drift: Block
) -> None:
    """Fill ``out`` by reading blocks while a source, repeated for ever, is written in blocks.

    Each callback comes up to ``LATE_S`` after its device has moved a block.  The drift is read
    once a second.
    """
    writes, reads = int(pair[WRITE_BLOCK]), int(pair[READ_BLOCK])
    samples = np.empty(writes)
    late_write_s, late_read_s = pair[LATE_S] * draw(pair), pair[LATE_S] * draw(pair)
    done = 0
    while done + reads <= out.shape[0]:
        write_s, read_s = pair[TO_WRITE_S] + late_write_s, pair[TO_READ_S] + late_read_s
        pair[NOW_S] = max(pair[NOW_S], min(write_s, read_s))
        told = told_s(pair)
        if write_s <= read_s:
            place = int(pair[PLACE])
            for i in range(writes):
                samples[i] = source[(place + i) % source.shape[0]]
            bridge_write(coefficients, state, samples, told)
            pair[PLACE] = float((place + writes) % source.shape[0])
            pair[TO_WRITE_S] += writes / pair[WRITE_HZ]
            late_write_s = pair[LATE_S] * draw(pair)
        else:
            bridge_read(coefficients, state, out[done : done + reads], told)
            done += reads
            drift[min(int(done / pair[READ_HZ]), drift.shape[0] - 1)] = 1e6 * state[DRIFT]
            pair[TO_READ_S] += reads / pair[READ_HZ]
            late_read_s = pair[LATE_S] * draw(pair)


class Devices:
    """Two devices with clocks of their own, and the adaptive bridge between them."""

    def __init__(
        self, write_hz: int, read_hz: int, drift_ppm: float, target_s: float, tone_hz: int = TONE_HZ
    ) -> None:
        self.coefficients = bridge_coefficients(write_hz, read_hz, adaptive=True, target_s=target_s)
        self.state = bridge_state()
        self.source = np.sin(2 * np.pi * tone_hz / write_hz * np.arange(write_hz))
        self.read_hz = read_hz
        self.heard_hz = tone_hz * (1 + 1e-6 * drift_ppm)
        self.pair = np.zeros(11)
        self.pair[WRITE_HZ], self.pair[READ_HZ] = write_hz * (1 + 1e-6 * drift_ppm), read_hz
        self.pair[LATE_S] = 0.003
        self.pair[TO_READ_S] = 0.1

    def run(self, seconds: float, write_block: int = 256, read_block: int = 256) -> Block:
        """Run on; return what was read."""
        self.pair[WRITE_BLOCK], self.pair[READ_BLOCK] = write_block, read_block
        out = np.zeros(int(seconds * self.read_hz) // read_block * read_block)
        self.drift_ppm = np.zeros(max(1, len(out) // self.read_hz))
        run(self.coefficients, self.state, self.pair, self.source, out, self.drift_ppm)
        return out

    @property
    def glitches(self) -> float:
        """How often it has fallen silent."""
        return bridge_meters(self.state)["glitches"]

    def sine_snr_db(self, heard: Block) -> Block:
        """Return how far all else lies below the tone in each 0.1 s.

        A sine whose frequency may be a little off is fitted: to first order in that, its basis
        is cosine and sine, each also times the time from the middle.
        """
        size = self.read_hz // 10
        windows = heard[: len(heard) // size * size].reshape(-1, size).T
        t = np.arange(size) - (size - 1) / 2
        turns = np.exp(2j * np.pi * self.heard_hz / self.read_hz * t)
        basis = np.stack([turns.real, turns.imag, t * turns.real, t * turns.imag], axis=1)
        basis /= np.linalg.norm(basis, axis=0)
        rest = windows - basis @ np.linalg.lstsq(basis, windows, rcond=None)[0]
        return np.asarray(10 * np.log10(np.mean(windows**2, axis=0) / np.mean(rest**2, axis=0)))


@pytest.mark.parametrize(
    ("write_hz", "read_hz", "write_block", "read_block", "target_s", "drift_ppm"),
    [
        (48_000, 48_000, 256, 256, 0.020, 200.0),
        (48_000, 48_000, 256, 256, 0.020, -30.0),
        (44_100, 48_000, 441, 256, 0.025, -200.0),
        (44_100, 48_000, 441, 256, 0.025, 30.0),
        (48_000, 48_000, 480, 1_024, 0.045, 30.0),
        (48_000, 96_000, 480, 1_024, 0.035, -200.0),
    ],
)
def test_five_minutes_between_two_clocks(
    write_hz: int,
    read_hz: int,
    write_block: int,
    read_block: int,
    target_s: float,
    drift_ppm: float,
) -> None:
    """The drift is read within 5 ppm of the truth; the tone has no click, 60 dB are asked.

    It starts with at most 0.1 % off pitch and is locked within 30 s.
    """
    devices = Devices(write_hz, read_hz, drift_ppm, target_s)
    start = devices.run(30.0, write_block, read_block)
    assert bridge_meters(devices.state)["locked"] == 1
    first = np.flatnonzero(start)[0]
    assert first < (target_s + 0.1 + 2 * read_block / read_hz + 0.01) * read_hz
    assert devices.sine_snr_db(start[first + read_hz // 10 :]).min() > 45.0
    heard = devices.run(270.0, write_block, read_block)
    assert devices.glitches == 0
    assert devices.sine_snr_db(heard).min() > 75.0
    np.testing.assert_allclose(devices.drift_ppm[60:], drift_ppm, atol=5.0)
    assert bridge_meters(devices.state)["fill_ms"] == pytest.approx(1e3 * target_s, abs=1.0)


def test_a_source_that_stops_for_a_second() -> None:
    """One glitch: no step louder than a fade of the tone makes, silence, and back."""
    devices = Devices(48_000, 48_000, 100.0, 0.02, tone_hz=100)
    devices.run(100.0)
    devices.pair[TO_WRITE_S] += 1.0
    heard = devices.run(3.0)
    assert devices.glitches == 1
    steepest = 2 * np.pi * 100 / 48_000 + 1 / (0.004 * 48_000)  # slope of the tone, and the fade's
    assert np.abs(np.diff(heard)).max() < 1.01 * steepest
    silent = np.flatnonzero(heard == 0.0) / 48_000
    assert 0.99 <= silent[-1] - silent[0] < 1.06
    assert devices.sine_snr_db(heard[2 * 48_000 :]).min() > 60.0
    assert bridge_meters(devices.state)["drift_ppm"] == pytest.approx(100.0, abs=5.0)


@pytest.mark.parametrize("stall_s", [0.3, 0.9, 3.0])
def test_a_reader_that_stalls(stall_s: float) -> None:
    """One glitch, whether the ring still holds what was missed or has been written over."""
    devices = Devices(48_000, 48_000, 100.0, 0.02)
    devices.run(30.0)
    devices.pair[TO_READ_S] += stall_s
    heard = devices.run(40.0)
    assert devices.glitches == 1
    assert np.abs(heard).max() < 1.01
    assert devices.sine_snr_db(heard[3 * 48_000 :]).min() > 60.0
    assert bridge_meters(devices.state)["fill_ms"] == pytest.approx(20.0, abs=1.0)


def test_blocks_may_change_their_size() -> None:
    """Larger blocks raise the target, after one fade at most; then it runs on."""
    devices = Devices(48_000, 48_000, 50.0, 0.02)
    devices.run(20.0)
    for count, (write_block, read_block) in enumerate([(1_024, 512), (64, 8_192), (1, 3)], 1):
        devices.run(10.0, write_block, read_block)
        assert devices.glitches <= count
        before = devices.glitches
        assert devices.sine_snr_db(devices.run(20.0, write_block, read_block)).min() > 50.0
        assert devices.glitches == before


def test_a_bad_sample_passes_and_is_gone() -> None:
    """One NaN shows in as many outputs as the filter is long, and stops nothing."""
    devices = Devices(48_000, 48_000, 50.0, 0.02)
    devices.run(2.0)
    devices.source[20_000] = np.nan
    heard = devices.run(0.9)
    devices.source[20_000] = 0.0
    assert 39 <= np.count_nonzero(np.isnan(heard)) <= 41
    assert np.all(np.isfinite(devices.run(1.0)[4_800:]))
    assert devices.glitches == 0


@pytest.mark.parametrize("clock", [CONSTANT, WILD])
def test_a_lying_clock_breaks_nothing(clock: int) -> None:
    """Never more than the tone comes out; with an honest clock all is well again."""
    devices = Devices(48_000, 48_000, 50.0, 0.02)
    devices.run(10.0)
    devices.pair[CLOCK] = clock
    assert np.abs(devices.run(30.0)).max() < 1.01
    devices.pair[CLOCK] = HONEST
    devices.run(30.0)
    before = devices.glitches
    assert devices.sine_snr_db(devices.run(20.0)).min() > 60.0
    assert devices.glitches == before


def test_it_is_silent_until_the_target_is_there() -> None:
    """Reading before anything was written is no fault; the first samples ramp up."""
    devices = Devices(48_000, 48_000, 0.0, 0.05)
    devices.source[:] = 1.0
    devices.pair[TO_READ_S], devices.pair[TO_WRITE_S] = 0.0, 1.0
    heard = devices.run(2.0)
    assert devices.glitches == 0
    first = np.flatnonzero(heard)[0]
    assert 1.04 < first / 48_000 < 1.07
    ramp = heard[first : first + 192]
    np.testing.assert_allclose(ramp[40:], np.arange(41, 193) / 192, atol=1e-4)


def test_clearing_makes_silence_but_loses_no_lock() -> None:
    """What lay in the ring is zeros; the tone goes on as soon as new samples come through."""
    devices = Devices(48_000, 48_000, 50.0, 0.02)
    devices.run(30.0)
    bridge_clear(devices.coefficients, devices.state)
    heard = devices.run(2.0)
    assert np.count_nonzero(heard[:400]) == 0
    assert devices.sine_snr_db(heard[4_800:]).min() > 60.0
    assert devices.glitches == 0


@pytest.mark.parametrize("adaptive", [True, False])
@pytest.mark.parametrize("read_hz", [8_000, 44_100, 48_000, 96_000])
def test_no_state_leads_outside_the_arrays(adaptive: bool, read_hz: int) -> None:
    """Words of nonsense in the state: what lies around both arrays stays as it was."""
    random = np.random.default_rng(8)
    coefficients = bridge_coefficients(48_000, read_hz, adaptive=adaptive, target_s=0.01)
    fresh = bridge_state()
    around = np.full(len(fresh) + 20_000, 0.25)
    state = around[10_000:-10_000]
    nonsense = np.array([np.nan, np.inf, -np.inf, 1e300, -1e300, -1.0, 0.5, 1.0, 2.0, 9e15, 2e9])
    out = np.full(30_000, 0.25)
    for _ in range(500):
        state[:] = fresh
        slots = random.integers(0, 64, random.integers(1, 30))
        state[slots] = random.choice(nonsense, len(slots))
        counts = random.integers(0, 8_193, 3)
        for count, now_s in zip(counts, random.choice(nonsense, 3), strict=True):
            bridge_write(coefficients, state, np.ones(count), now_s)
            bridge_read(coefficients, state, out[10_000 : 10_000 + count], now_s)
    assert np.all(around[:10_000] == 0.25)
    assert np.all(around[-10_000:] == 0.25)
    assert np.all(out[:10_000] == 0.25)
    assert np.all(out[-11_000:] == 0.25)


@kernel
def write_numbers(coefficients: Block, state: Block, total: int) -> None:
    """Write 1, 2, 3 and so on, in odd blocks, whenever there is room."""
    block = np.empty(397)
    number = 0
    while number < total:
        if state[WRITTEN] - state[INDEX] < 30_000:
            for i in range(block.shape[0]):
                block[i] = number + i + 1.0
            bridge_write(coefficients, state, block, 0.0)
            number += block.shape[0]


@kernel
def count_wrong(coefficients: Block, state: Block, total: int) -> int:
    """Read what is ready until all numbers came; return how many were not the next one."""
    out = np.empty(30_800)
    number = wrong = 0
    while number < total:
        ready = min(bridge_ready(coefficients, state), out.shape[0])
        bridge_read(coefficients, state, out[:ready], 0.0)
        for i in range(ready):
            number += 1
            if out[i] != number:
                wrong += 1
    return wrong


def test_two_threads_lose_nothing() -> None:
    """Writer and reader at full speed on two real threads, without the interpreter's lock."""
    coefficients, state = bridge_coefficients(48_000, 48_000, adaptive=False), bridge_state()
    total = 397 * 5_000
    count_wrong(coefficients, state, 0)
    writer = threading.Thread(target=write_numbers, args=(coefficients, state, total))
    writer.start()
    assert count_wrong(coefficients, state, total) == 0
    writer.join()
    assert bridge_meters(state)["glitches"] == 0
