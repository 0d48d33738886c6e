"""A direct or fixed bridge: rates of one clock, judged by closed forms and by another resampler."""

import numpy as np
import pytest
import soxr

from carrierfloor.dsp.bridge import (
    bridge_coefficients,
    bridge_latency_samples,
    bridge_meters,
    bridge_state,
)
from carrierfloor.dsp.bridge_kernel import (
    bridge_clear,
    bridge_needs,
    bridge_read,
    bridge_ready,
    bridge_write,
)
from carrierfloor.dsp.bridge_layout import BRIDGE_COEFFICIENTS_SIZE, BRIDGE_STATE_SIZE, RING
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

# The last pair falls on no table of phases, so it is interpolated: its 47999 places between two
# samples sweep the table just as two clocks do.
RATES_HZ = [
    (44_100, 48_000),
    (48_000, 44_100),
    (48_000, 96_000),
    (96_000, 48_000),
    (96_000, 44_100),
    (44_100, 96_000),
    (48_000, 8_000),
    (8_000, 48_000),
    (192_000, 48_000),
    (48_000, 192_000),
    (48_000, 47_999),
]


def through(write_hz: int, read_hz: int, samples: Block, block: int = 256) -> Block:
    """Carry samples over a fixed bridge, as many for each block read as it needs."""
    coefficients = bridge_coefficients(write_hz, read_hz, adaptive=False)
    state = bridge_state()
    out, used = np.empty(2 * block + len(samples) * read_hz // write_hz), 0
    for end in range(block, len(out), block):
        need = bridge_needs(coefficients, state, block)
        if used + need > len(samples):
            break
        bridge_write(coefficients, state, samples[used : used + need], 0.0)
        used += need
        bridge_read(coefficients, state, out[end - block : end], 0.0)
        done = end
    assert bridge_meters(state)["glitches"] == 0
    return out[:done]


@kernel
def run_in_step(coefficients: Block, state: Block, block: int, blocks: int) -> int:
    """Read blocks, writing what each needs; return how much that was."""
    samples, out = np.zeros(2 * block), np.empty(block)
    written = 0
    for _ in range(blocks):
        need = bridge_needs(coefficients, state, block)
        bridge_write(coefficients, state, samples[:need], 0.0)
        bridge_read(coefficients, state, out, 0.0)
        written += need
    return written


def tone_errors(write_hz: int, read_hz: int, tone_hz: float) -> tuple[float, float]:
    """Return how far the gain of a tone is off 1, and the level of all that is not the tone."""
    n = np.arange(write_hz // 4)
    out = through(write_hz, read_hz, np.cos(2 * np.pi * tone_hz / write_hz * n))
    coefficients = bridge_coefficients(write_hz, read_hz, adaptive=False)
    delay_s = bridge_latency_samples(coefficients) / write_hz
    k = np.arange(len(out) // 4, len(out))
    turns = np.exp(2j * np.pi * tone_hz * (k / read_hz - delay_s))
    basis = np.stack([turns.real, turns.imag], axis=1)
    (real, imaginary), *_ = np.linalg.lstsq(basis, out[k], rcond=None)
    rest = out[k] - basis @ [real, imaginary]
    return abs(complex(real, imaginary) - 1.0), float(np.sqrt(2.0 * np.mean(rest**2)))


@pytest.mark.parametrize(("write_hz", "read_hz"), RATES_HZ)
def test_tones_come_through_unchanged_and_in_time(write_hz: int, read_hz: int) -> None:
    """Closed form: the same cosine, late by the stated delay; images 100 and 90 dB down."""
    lower_hz = min(write_hz, read_hz)
    for tone_hz in np.linspace(50.0, 0.39 * lower_hz, 23):
        gain_error, rest = tone_errors(write_hz, read_hz, float(tone_hz))
        speech = tone_hz < min(8_000.0, 0.3 * lower_hz)
        assert gain_error < (1e-5 if speech else 1e-4), tone_hz
        assert rest < (1e-5 if speech else 10 ** (-90 / 20)), tone_hz


@pytest.mark.parametrize(("write_hz", "read_hz"), [r for r in RATES_HZ if r[0] > 1.5 * r[1]])
def test_what_the_lower_rate_cannot_carry_is_90_db_down(write_hz: int, read_hz: int) -> None:
    """Closed form: a tone beyond the filter's edge must leave nothing, wherever it folds to."""
    for tone_hz in np.linspace(0.601 * read_hz, 0.499 * write_hz, 23):
        n = np.arange(write_hz // 4)
        out = through(write_hz, read_hz, np.cos(2 * np.pi * tone_hz / write_hz * n))
        rest = out[len(out) // 4 :]
        assert np.sqrt(2.0 * np.mean(rest**2)) < 10 ** (-90 / 20), tone_hz


@pytest.mark.parametrize(("write_hz", "read_hz"), RATES_HZ)
def test_noise_agrees_with_soxr(write_hz: int, read_hz: int) -> None:
    """The soxr library's VHQ resampler, on noise up to 0.35 of the lower rate."""
    spectrum = np.fft.rfft(np.random.default_rng(1).standard_normal(write_hz))
    spectrum[np.fft.rfftfreq(write_hz, 1 / write_hz) > 0.35 * min(write_hz, read_hz)] = 0.0
    noise = np.fft.irfft(spectrum)
    noise /= np.std(noise)
    out = through(write_hz, read_hz, noise)
    delay = bridge_latency_samples(bridge_coefficients(write_hz, read_hz, adaptive=False))
    expected = soxr.resample(np.concatenate([np.zeros(delay), noise]), write_hz, read_hz, "VHQ")
    middle = slice(len(out) // 4, 3 * len(out) // 4)
    error = out[middle] - expected[: len(out)][middle]
    assert np.sqrt(np.mean(error**2)) < 2e-5 * np.std(out[middle])


def test_noise_is_the_same_however_it_is_cut() -> None:
    """Any block size gives the same samples to the last bit."""
    noise = np.random.default_rng(2).standard_normal(30_000)
    whole = through(44_100, 48_000, noise, 8_192)
    for block in (1, 7, 128, 480, 1_024):
        part = through(44_100, 48_000, noise[:8_000], block)
        np.testing.assert_array_equal(part, whole[: len(part)])


@pytest.mark.parametrize(("write_hz", "read_hz"), RATES_HZ)
def test_needs_adds_up_exactly(write_hz: int, read_hz: int) -> None:
    """Integer arithmetic: the last of K outputs needs sample floor((K - 1) M / L) and no more.

    Read for 20 s in blocks of every size; then, without reading, asked for a month at once.
    """
    coefficients = bridge_coefficients(write_hz, read_hz, adaptive=False)
    state = bridge_state()
    block, out = np.zeros(RING), np.empty(8_192)
    written = read = 0
    random = np.random.default_rng(3)
    while read < 20 * read_hz:
        count = int(random.integers(1, 8_193))
        need = bridge_needs(coefficients, state, count)
        bridge_write(coefficients, state, block[:need], 0.0)
        assert bridge_needs(coefficients, state, count) == 0
        bridge_read(coefficients, state, out[:count], 0.0)
        written, read = written + need, read + count
        assert written == (read - 1) * write_hz // read_hz + 1
    assert bridge_meters(state)["glitches"] == 0
    for count in (3_600 * read_hz, 30 * 86_400 * read_hz + 1):
        total = (read + count - 1) * write_hz // read_hz + 1
        assert bridge_needs(coefficients, state, count) == total - written


def test_a_simulated_hour_ends_where_integers_say() -> None:
    """11.025 to 12 kHz, which is 147/160 like 44.1 to 48 kHz: 43 200 000 samples an hour."""
    coefficients = bridge_coefficients(11_025, 12_000, adaptive=False)
    state = bridge_state()
    assert run_in_step(coefficients, state, 480, 90_000) == (43_200_000 - 1) * 147 // 160 + 1
    assert bridge_meters(state)["glitches"] == 0


def test_ready_is_the_other_side_of_needs() -> None:
    """Definition: what is ready needs nothing, one more needs something."""
    for write_hz, read_hz in [*RATES_HZ, (48_000, 48_000)]:
        coefficients = bridge_coefficients(write_hz, read_hz, adaptive=False)
        state, out = bridge_state(), np.empty(50_000)
        assert bridge_ready(coefficients, state) == 0
        for count in (1, 2, 100, 441, 7):
            bridge_write(coefficients, state, np.zeros(count), 0.0)
            ready = bridge_ready(coefficients, state)
            assert bridge_needs(coefficients, state, ready) == 0
            assert bridge_needs(coefficients, state, ready + 1) > 0
            bridge_read(coefficients, state, out[:ready], 0.0)
        assert bridge_meters(state)["glitches"] == 0


def test_there_and_back_in_one_callback_never_runs_short() -> None:
    """A card at 44.1 kHz around a chain at 48 kHz, one callback: two samples of slack suffice."""
    there = bridge_coefficients(44_100, 48_000, adaptive=False)
    back = bridge_coefficients(48_000, 44_100, adaptive=False)
    inward, outward = bridge_state(2), bridge_state()
    chain, card = np.empty(1_000), np.zeros(512)
    for count in np.random.default_rng(4).integers(1, 513, 20_000):
        bridge_write(there, inward, card[:count], 0.0)
        need = bridge_needs(back, outward, int(count))
        bridge_read(there, inward, chain[:need], 0.0)
        bridge_write(back, outward, chain[:need], 0.0)
        bridge_read(back, outward, card[:count], 0.0)
    assert bridge_meters(inward)["glitches"] == bridge_meters(outward)["glitches"] == 0


def test_direct_passes_every_bit() -> None:
    """Equal rates, one clock: the very samples, none late."""
    coefficients, state = bridge_coefficients(48_000, 48_000, adaptive=False), bridge_state()
    noise = np.random.default_rng(5).standard_normal(300_000)
    out, done = np.empty_like(noise), 0
    for count in np.random.default_rng(6).integers(1, 8_193, 60):
        end = min(done + int(count), len(noise))
        bridge_write(coefficients, state, noise[done:end], 0.0)
        bridge_read(coefficients, state, out[done:end], 0.0)
        done = end
    np.testing.assert_array_equal(out[:done], noise[:done])
    assert bridge_latency_samples(coefficients) == 0
    assert bridge_meters(state)["glitches"] == 0


def test_what_is_missing_is_zeros_and_a_glitch() -> None:
    """Direct: 100 of 256 samples were there."""
    coefficients, state = bridge_coefficients(48_000, 48_000, adaptive=False), bridge_state()
    bridge_write(coefficients, state, np.ones(100), 0.0)
    out = np.full(256, np.nan)
    bridge_read(coefficients, state, out, 0.0)
    np.testing.assert_array_equal(out, np.repeat([1.0, 0.0], [100, 156]))
    assert bridge_meters(state)["glitches"] == 1


def test_a_reader_left_far_behind_begins_anew() -> None:
    """Direct: after three rings' worth unread, a glitch; then the newest samples again."""
    coefficients, state = bridge_coefficients(48_000, 48_000, adaptive=False), bridge_state()
    bridge_write(coefficients, state, np.ones(3 * RING), 0.0)
    out = np.empty(64)
    bridge_read(coefficients, state, out, 0.0)
    assert bridge_meters(state)["glitches"] >= 1
    bridge_write(coefficients, state, np.full(64, 2.0), 0.0)
    bridge_read(coefficients, state, out, 0.0)
    np.testing.assert_array_equal(out, 2.0)


@pytest.mark.parametrize("read_hz", [48_000, 44_100, 96_000])
def test_clearing_forgets_all_audio_and_keeps_count(read_hz: int) -> None:
    """Silence from the clearing until new samples; as many are needed as without it."""
    coefficients, state = bridge_coefficients(48_000, read_hz, adaptive=False), bridge_state(50)
    kept = bridge_state(50)
    out = np.empty(20)
    for one in (state, kept):
        bridge_write(coefficients, one, np.ones(100), 0.0)
        bridge_read(coefficients, one, out, 0.0)
    bridge_clear(coefficients, state)
    assert bridge_needs(coefficients, state, 900) == bridge_needs(coefficients, kept, 900)
    count = bridge_ready(coefficients, state)
    out = np.full(count, np.nan)
    bridge_read(coefficients, state, out, 0.0)
    np.testing.assert_array_equal(out, 0.0)


@pytest.mark.parametrize(("write_hz", "read_hz"), RATES_HZ)
def test_a_bad_sample_is_gone_after_the_filters_length(write_hz: int, read_hz: int) -> None:
    """One NaN shows in the outputs that the filter's length covers and in no other."""
    samples = np.ones(write_hz // 4)
    samples[1_000] = np.nan
    out = through(write_hz, read_hz, samples)
    taps = 2 * bridge_latency_samples(bridge_coefficients(write_hz, read_hz, adaptive=False))
    first, last = np.flatnonzero(np.isnan(out))[[0, -1]]
    assert first * write_hz / read_hz >= 1_000
    assert last * write_hz / read_hz < 1_000 + taps


def test_sizes_are_as_promised() -> None:
    """Coefficients of any pair of usual rates fit where they are placed."""
    rates_hz = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400)
    for write_hz in (*rates_hz, 192_000, 191_999):
        for read_hz in (*rates_hz, 192_000, 191_999):
            if write_hz <= 6 * read_hz:
                for adaptive in (False, True):
                    coefficients = bridge_coefficients(write_hz, read_hz, adaptive=adaptive)
                    assert len(coefficients) <= BRIDGE_COEFFICIENTS_SIZE
    assert bridge_state().shape == (BRIDGE_STATE_SIZE,)


@pytest.mark.parametrize(
    ("write_hz", "read_hz", "target_s", "words"),
    [
        (4_000.0, 48_000.0, 0.0, "4000 Hz"),
        (48_000.0, 48_000.5, 0.0, "whole number"),
        (float("nan"), 48_000.0, 0.0, "whole number"),
        (192_000.0, 8_000.0, 0.0, "factor of 6"),
        (48_000.0, 48_000.0, 1.0, "0.341 s"),
        (48_000.0, 48_000.0, float("nan"), "target_s"),
    ],
)
def test_impossible_bridges_are_refused(
    write_hz: float, read_hz: float, target_s: float, words: str
) -> None:
    """One line that names the value and what is allowed."""
    with pytest.raises(SettingError, match=words):
        bridge_coefficients(write_hz, read_hz, adaptive=True, target_s=target_s)
