"""The carrier without modulation, in demodulated signals of closed form."""

import numpy as np
import pytest
from numpy.typing import NDArray

from carrierfloor.dsp.carrier_phase import Demodulated
from carrierfloor.dsp.carrier_reference import MEAN, UNMODULATED, CarrierReference, find_reference
from carrierfloor.dsp.carrier_rows import ROW, ROW_S, RowMeter, Rows
from carrierfloor.dsp.stage import Block

RATE_HZ = 48_000


def rows_of(envelope: Block, noise: float = 0.0, locked: NDArray[np.bool_] | None = None) -> Rows:
    """Rows of an envelope with noise along and across."""
    random = np.random.default_rng(5)
    along, across = noise * random.normal(size=(2, len(envelope)))
    known = np.ones(len(envelope), dtype=bool) if locked is None else locked
    meter = RowMeter()
    meter.feed(Demodulated(envelope + along, across, known))
    return meter.read()


def bursts(seconds: float, index: float = 0.8) -> Block:
    """A tone that is on for 1.2 s and off for 0.8 s, from 1 s to a second before the end."""
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    on = (t > 1.0) & (t < seconds - 1.0) & ((t - 1.0) % 2.0 < 1.2)
    return np.asarray(index * on * np.sin(2 * np.pi * 400.0 * t))


def off_by(reference: CarrierReference, height: Block) -> float:
    """Return the largest error of the height where it is known."""
    found = reference.at(0, len(height))
    known = np.repeat(reference.known, ROW)
    return float(np.abs(found[: len(known)] / height[: len(known)] - 1.0)[known].max())


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
def test_a_steady_carrier(noise: float) -> None:
    """Its pauses give it, whatever the noise; the error is that of the noise in seconds."""
    m = bursts(10.0)
    reference = find_reference(rows_of(0.3 * (1.0 + m), 0.3 * noise))
    assert reference.kind == UNMODULATED
    assert not reference.is_followed
    assert off_by(reference, np.full(len(m), 0.3)) < 1e-6 + 0.02 * noise
    assert reference.noise_rms(0, len(m)) == pytest.approx(noise, rel=0.03, abs=1e-6)
    inside = np.abs(m.reshape(-1, ROW)).max(axis=1) > 0.5
    assert not (reference.unmodulated & inside).any()
    assert np.count_nonzero(reference.modulated) == pytest.approx(np.count_nonzero(inside), abs=3)


def test_the_shift_of_the_carrier_is_left_to_be_seen() -> None:
    """The mean rises by 15 % wherever there is modulation, as heavy cut-offs make it."""
    m = bursts(10.0)
    envelope = 1.0 + m + 0.15 * (np.abs(bursts(10.0)) > 0.0)
    reference = find_reference(rows_of(envelope))
    assert reference.kind == UNMODULATED
    assert not reference.is_followed
    assert off_by(reference, np.ones(len(m))) < 1e-3


def test_a_drift_of_the_level_is_followed_from_pause_to_pause() -> None:
    m = bursts(20.0)
    height = 1.0 + 0.2 * np.arange(len(m)) / len(m)
    reference = find_reference(rows_of(height * (1.0 + m), 0.003))
    assert reference.kind == UNMODULATED
    assert not reference.is_followed
    assert off_by(reference, height) < 4e-3


def test_fading_is_followed_by_the_mean() -> None:
    """3 dB up and down every 4 s, quicker than the pauses tell."""
    m = bursts(20.0)
    t = np.arange(len(m)) / RATE_HZ
    height = 1.0 + 0.17 * np.sin(2 * np.pi * t / 4.0)
    reference = find_reference(rows_of(height * (1.0 + m), 0.003))
    assert reference.is_followed
    assert off_by(reference, height) < 0.01


def test_a_deep_fade_is_followed_and_its_bottom_left_out() -> None:
    """Two rays: |1 + r exp(j x)|, 15 dB up and down every 5 s, less than half of usual left out."""
    m = bursts(20.0)
    t = np.arange(len(m)) / RATE_HZ
    ratio = 10 ** (15 / 20)
    height = np.abs(1.0 + (ratio - 1.0) / (ratio + 1.0) * np.exp(2j * np.pi * t / 5.0))
    reference = find_reference(rows_of(height * (1.0 + m), 0.0003))
    assert reference.is_followed
    middle = height[ROW // 2 :: ROW]
    assert np.abs(reference.height / middle - 1.0)[reference.known].max() < 0.002
    assert reference.faded[middle < 0.45 * np.median(middle)].all()
    assert not reference.faded[middle > 0.55 * np.median(middle)].any()
    assert not (reference.known & reference.faded).any()


def test_without_a_pause_there_is_only_the_mean() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    reference = find_reference(rows_of(0.4 * (1.0 + 0.9 * np.sin(2 * np.pi * 1000.0 * t)), 0.002))
    assert reference.kind == MEAN
    assert off_by(reference, np.full(len(t), 0.4)) < 1e-3


def test_what_cutoffs_add_to_the_mean_is_taken_out() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    envelope = np.maximum(0.0, 1.0 + 1.25 * np.sin(2 * np.pi * 1000.0 * t))
    rows = rows_of(envelope)
    added = np.full(len(rows), envelope.mean() - 1.0)
    assert off_by(find_reference(rows), np.ones(len(t))) == pytest.approx(0.034, abs=0.001)
    assert off_by(find_reference(rows, added), np.ones(len(t))) < 1e-3


def test_keying_is_no_modulation() -> None:
    """The carrier is locked a little before it comes up and after it has gone down."""
    m = np.concatenate([np.zeros(RATE_HZ), bursts(6.0), np.zeros(RATE_HZ)])
    on = np.zeros(len(m), dtype=bool)
    on[RATE_HZ:-RATE_HZ] = True
    locked = np.zeros(len(m), dtype=bool)
    locked[RATE_HZ - 2000 : -RATE_HZ + 2000] = True
    reference = find_reference(rows_of(np.where(on, 1.0 + m, 0.0), 0.001, locked))
    inside = on.reshape(-1, ROW).all(axis=1)
    assert not (reference.known & ~inside).any()
    assert np.count_nonzero(inside & ~reference.known) * ROW_S < 0.2
    assert off_by(reference, np.ones(len(m))) < 1e-3


def test_a_pop_that_takes_the_carrier_off_is_measured() -> None:
    """60 ms to -150 %, off for 36 ms: whole rows without a carrier, and the fault to be seen."""
    m = bursts(6.0)
    length = 3 * ROW
    pop = np.concatenate([np.sin(np.pi * np.arange(length) / length) ** 2, np.zeros(4 * RATE_HZ)])
    start = round(2.5 * RATE_HZ)
    m[start:] -= 1.5 * pop[: len(m) - start]
    reference = find_reference(rows_of(np.maximum(1.0 + m, 0.0), 0.001))
    assert reference.known[start // ROW : start // ROW + 4].all()


def test_two_carriers_each_have_their_own_height() -> None:
    m = bursts(6.0)
    gap = np.zeros(RATE_HZ)
    envelope = np.concatenate([0.2 * (1.0 + m), gap, 0.5 * (1.0 + m)])
    locked = np.concatenate([np.ones(len(m)), gap, np.ones(len(m))]).astype(bool)
    reference = find_reference(rows_of(envelope, 1e-4, locked))
    height = np.concatenate([np.full(len(m), 0.2), np.ones(RATE_HZ), np.full(len(m), 0.5)])
    assert reference.kind == UNMODULATED
    assert off_by(reference, height) < 2e-3


def test_nothing_at_all() -> None:
    nothing = find_reference(rows_of(np.zeros(0)))
    assert len(nothing.height) == 0
    assert (nothing.at(0, 5) == 1.0).all()
    silent = find_reference(rows_of(np.zeros(9600), locked=np.zeros(9600, dtype=bool)))
    assert not silent.known.any()
    assert silent.noise_rms(0, 9600) == 0.0


def test_rows_do_not_depend_on_how_the_signal_is_cut() -> None:
    random = np.random.default_rng(2)
    real, imaginary = random.normal(size=(2, 10_000))
    signal = Demodulated(real, imaginary, random.random(10_000) > 0.1)
    whole = RowMeter()
    whole.feed(signal)
    cut = RowMeter()
    for start in range(0, 10_000, 777):
        cut.feed(signal[start : start + 777])
    one, other = whole.read(), cut.read()
    assert len(one) == 10
    np.testing.assert_array_equal(one.along, other.along)
    np.testing.assert_array_equal(one.height, other.height)
    np.testing.assert_array_equal(one.locked, other.locked)
