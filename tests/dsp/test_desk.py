"""The live desk: the same sound as the chain, and the promise kept through every change."""

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.desk import BYPASS, MEMORY_BYTES, Desk
from carrierfloor.dsp.desk_kernel import cut, run_desk
from carrierfloor.dsp.desk_reader import DeskReader
from carrierfloor.dsp.desk_stages import SENT_AS
from carrierfloor.dsp.engine import engine
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.fader import EDGE_SAMPLES
from carrierfloor.dsp.rig import Rig
from carrierfloor.dsp.stage import HOP, Stage, StageDesign
from carrierfloor.dsp.voice import Voice
from tests import clips
from tests.reference import antenna, nasty

PATHS = nasty.PATHS["second-order 40 Hz and 7 kHz"]
FULL = 10 ** (-6 / 20)
BLOCK = 256


VOICES = {"A": presets.voice("everyday"), "B": presets.voice("dense"), "bypass": BYPASS}


def make_desk(heard: str = "A", rig: Rig | None = None) -> Desk:
    """Return a desk with two voices, open and running."""
    desk = Desk(bytearray(MEMORY_BYTES))
    desk.whole[at.ENGINE] = engine().address
    desk.set_up(rig or clips.rig(PATHS), VOICES, heard)
    desk.start()
    desk.open()
    return desk


def run(desk: Desk, samples: clips.Array, block: int = BLOCK) -> clips.Array:
    """Feed samples as an audio callback does; return as many."""
    out = np.array(samples)
    for start in range(0, len(out), block):
        run_desk(desk.words, desk.whole, out[start : start + block])
        desk.tend()
    return out


def speech(seconds: float) -> clips.Array:
    """Return loud speech, as long as asked for."""
    clip = clips.sound("M2_harvard_phrases")
    return np.resize(2.0 * clip, round(seconds * nasty.RATE_HZ))


def modulation(card: clips.Array) -> clips.Array:
    """What the antenna sees, by the independent reference, 4 points a sample."""
    _, _, lead = antenna.spectrum(card, nasty.RATE_HZ, FULL, PATHS[0])
    return antenna.modulation(card, nasty.RATE_HZ, FULL, PATHS[0], 4)[4 * lead :]


def assert_held(card: clips.Array) -> None:
    verdict = antenna.judge_paths(card, nasty.RATE_HZ, FULL, PATHS)
    assert verdict.trough <= 0.951
    assert verdict.crest <= 1.251
    assert verdict.cutoffs == 0


@pytest.mark.parametrize("block", [64, 256, 441])
@pytest.mark.parametrize("name", ["everyday", "dense", "bypass"])
def test_sounds_like_the_chain(name: str, block: int) -> None:
    """Bit for bit, once the fader is up, whatever the block size."""
    samples = np.concatenate([np.zeros(24_000), speech(2.0)])
    desk = make_desk({"everyday": "A", "dense": "B", "bypass": "bypass"}[name])
    chain = Chain(presets.voice(name), clips.rig(PATHS), sample_step=SENT_AS.largest_error)
    np.testing.assert_array_equal(run(desk, samples, block), chain.process(samples))
    assert desk.latency_samples == chain.latency_samples


@pytest.mark.parametrize("highest_hz", [24_000.0, 7200.0])
def test_an_equaliser_sounds_like_that_of_the_chain(highest_hz: float) -> None:
    """Bit for bit, behind the output filter for 16 kHz too."""
    rig = clips.equalised(clips.rig(nasty.PATHS["three paths at once"]))
    samples = np.concatenate([np.zeros(24_000), speech(1.0)])
    desk = Desk(bytearray(MEMORY_BYTES), highest_hz=highest_hz)
    desk.whole[at.ENGINE] = engine().address
    desk.set_up(rig, VOICES, "A")
    desk.start()
    desk.open()
    fine = SENT_AS.largest_error
    chain = Chain(VOICES["A"], rig, sample_step=fine, highest_hz=highest_hz)
    np.testing.assert_array_equal(run(desk, samples), chain.process(samples))
    assert desk.latency_samples == chain.latency_samples
    assert desk.rest_s == (chain.edge_samples - EDGE_SAMPLES) / nasty.RATE_HZ > 0.0


def test_an_equaliser_is_switched_without_a_click() -> None:
    """As a session does: down, silent, another rig, up again; on and off, in the same speech.

    The steps that are left when the desk stops would be heard as clicks, beyond the audio band.
    """
    plain = clips.rig(PATHS)
    rigs = [clips.equalised(plain), plain, clips.equalised(plain, lowest_hz=20.0), plain]
    desk = make_desk()
    samples = iter(np.array_split(speech(12.0), 10))
    sent = [run(desk, next(samples)), run(desk, next(samples))]
    changes = []
    for rig in rigs:
        desk.close()
        fading = round((0.05 + desk.rest_s) * nasty.RATE_HZ) // BLOCK * BLOCK
        sent.append(run(desk, next(samples)[:fading]))
        assert desk.is_silent
        assert np.abs(sent[-1][-BLOCK:]).max() < 0.01
        desk.stop()
        sent.append(run(desk, np.ones(4 * BLOCK)))
        assert not sent[-1].any()
        changes.append(sum(map(len, sent[:-1])))
        desk.set_up(rig, VOICES, "A")
        desk.start()
        desk.open()
        sent.append(run(desk, next(samples)))
        assert np.abs(sent[-1]).max() > 0.3
    card = np.concatenate(sent)
    for change in changes:
        assert beyond_energy(card[change - 4096 : change + 4096]) < 1e-11
    assert_held(np.concatenate([card, run(desk, np.zeros(4096))]))


def test_an_equaliser_comes_to_rest_when_the_desk_says() -> None:
    """A loud hum in the bypass: a desk stopped earlier would leave a larger step."""
    desk = make_desk("bypass", clips.equalised(clips.rig(nasty.PATHS["peak and shelves"])))
    hum = np.sin(2 * np.pi * 50.0 * np.arange(2 * nasty.RATE_HZ) / nasty.RATE_HZ)
    run(desk, 2.0 * hum)
    desk.close()
    faded, rest = round(0.02 * nasty.RATE_HZ), round(desk.rest_s * nasty.RATE_HZ)
    after = np.abs(run(desk, 2.0 * hum))
    assert after[faded : faded + 100].max() > 0.02
    assert after[faded + rest :].max() < 1e-3


def beyond_energy(card: clips.Array) -> float:
    """Energy beyond 9 kHz, in squares of full-scale samples."""
    spectrum = np.abs(np.fft.rfft(card * np.blackman(len(card)))) ** 2
    frequency_hz = np.fft.rfftfreq(len(card), 1 / nasty.RATE_HZ)
    return float(2.0 * spectrum[frequency_hz > 9000].sum() / len(card))


def test_stays_silent_until_opened() -> None:
    desk = make_desk()
    desk.close()
    assert not run(desk, speech(1.0)).any()
    desk.open()
    assert np.abs(run(desk, speech(1.0))).max() > 0.3
    desk.stop()
    assert not run(desk, speech(0.1)).any()
    assert not desk.is_running


def test_falls_silent_within_20_ms() -> None:
    desk = make_desk()
    run(desk, speech(1.0))
    desk.close()
    after = run(desk, speech(0.5))
    assert np.flatnonzero(after)[-1] <= 0.02 * nasty.RATE_HZ
    assert desk.is_silent


def test_holds_the_limits_whatever_the_user_does() -> None:
    """Voices, drives, gains, mutes at random, several a second, on speech, noise and 40 dB over."""
    random = np.random.default_rng(3)
    desk = make_desk()
    sounds = [speech(3.0), clips.sound("white_noise"), clips.sound("forty_db_over")]
    sent = []
    for samples in sounds:
        for start in range(0, len(samples), 2000):
            sent.append(run(desk, samples[start : start + 2000]))
            what = random.integers(5)
            if what == 0:
                desk.choose(str(random.choice(desk.keys)))
            elif what == 1:
                desk.set_drive(str(random.choice(["A", "B"])), random.uniform(-10.0, 40.0))
            elif what == 2:
                desk.set_gain(str(random.choice(desk.keys)), random.uniform(-30.0, 0.0))
            elif what == 3 and desk.is_open:
                desk.close()
            else:
                desk.open()
    sent.append(run(desk, np.zeros(2000)))
    card = np.concatenate(sent)
    assert np.abs(card).max() > 0.3
    assert_held(card)


@pytest.mark.parametrize("to", ["B", "bypass"])
def test_changes_of_voice_make_no_click(to: str) -> None:
    """A click is energy where speech has none; a crossfade puts none beyond the audio band."""
    samples = speech(3.0)
    desk = make_desk()
    steady = run(desk, samples)
    desk = make_desk()
    changed = run(desk, samples[:72_000])
    desk.choose(to)
    changed = np.concatenate([changed, run(desk, samples[72_000:])])
    assert np.abs(changed - steady)[:72_000].max() == 0.0
    assert np.abs(changed - steady)[76_000:].max() > 0.01
    window = slice(70_000, 78_192)
    assert beyond_db(changed[window]) < max(beyond_db(steady[window]), -90.0) + 3.0


def beyond_db(card: clips.Array) -> float:
    """Energy beyond 9 kHz against all of it."""
    power = np.abs(np.fft.rfft(card * np.blackman(len(card)))) ** 2
    frequency_hz = np.fft.rfftfreq(len(card), 1 / nasty.RATE_HZ)
    return float(10 * np.log10(power[frequency_hz > 9000].sum() / power.sum()))


def test_a_replaced_voice_is_heard_without_a_click() -> None:
    desk = make_desk()
    run(desk, speech(1.0))
    for name in ("wide", "gentle", "crowded-band"):
        desk.replace("A", presets.voice(name))
        assert desk.voice("A") != presets.voice(name)
    card = run(desk, speech(6.0))
    assert desk.voice("A") == presets.voice("crowded-band")
    for start in range(0, len(card) - 8192, 8192):
        assert beyond_db(card[start : start + 8192]) < -60.0
    assert_held(np.concatenate([card, run(desk, np.zeros(2000))]))
    assert list(desk.whole[at.LOADED : at.LOADED + at.SLOTS]).count(1) == 3


def test_a_cut_is_silent_at_once_and_safe_afterwards() -> None:
    """After a gap nobody knows the state of the paths; the desk waits until they are at rest.

    The gap itself has a step at its beginning, which no software can undo; what is held is
    everything after it.
    """
    desk = make_desk()
    before = run(desk, speech(1.3))
    cut(desk.words, desk.whole)
    after = run(desk, speech(2.0))
    waits = int(desk.whole[at.HOLD])
    assert not after[:waits].any()
    assert np.abs(after).max() > 0.3
    gap = np.zeros(700)
    m = modulation(np.concatenate([before, gap, after, run(desk, np.zeros(2000))]))
    held = m[4 * (len(before) + len(gap) + waits) :]
    assert -held.min() <= 0.951
    assert held.max() <= 1.251
    assert desk.cuts == 2  # the start was one


def test_readings_and_rings() -> None:
    """What a reader copies is what went in and came out, in step hop by hop."""
    desk = make_desk()
    reader = DeskReader(desk.words, desk.whole)
    samples = speech(3.0)
    card = run(desk, samples)
    stretch = reader.advance()
    hops = len(samples) // HOP
    np.testing.assert_array_equal(stretch.raw, samples[: hops * HOP])
    np.testing.assert_array_equal(stretch.card[:-HOP], card[HOP : hops * HOP])
    assert stretch.readings.shape == (hops, at.READING)
    by_hop = stretch.antenna.reshape(-1, HOP)
    worst = stretch.readings[:, at.NEGATIVE_PEAK].max()
    assert worst == pytest.approx(-by_hop.min(), abs=0.01)
    assert worst <= 0.95
    assert stretch.lost_samples == 0
    energy = np.square(samples[: hops * HOP]).reshape(-1, HOP).sum(axis=1)
    np.testing.assert_allclose(stretch.readings[:, at.INPUT_ENERGY], energy, rtol=1e-12)
    assert len(reader.advance().raw) == 0


def test_a_reader_that_sleeps_too_long_knows_what_it_lost() -> None:
    desk = make_desk()
    reader = DeskReader(desk.words, desk.whole)
    samples = np.random.default_rng(1).normal(0.0, 0.01, 10 * nasty.RATE_HZ // HOP * HOP)
    run(desk, samples)
    stretch = reader.advance()
    assert stretch.lost_samples + len(stretch.raw) == len(samples)
    assert len(stretch.raw) > 5 * nasty.RATE_HZ
    np.testing.assert_array_equal(stretch.raw, samples[stretch.lost_samples :])


def test_drive_glides() -> None:
    desk = make_desk("bypass")
    assert desk.drive_db("bypass") is None
    with pytest.raises(SettingError, match="has no drive stage"):
        desk.set_drive("bypass", 3.0)
    with pytest.raises(SettingError, match="drive_db is 41 dB"):
        desk.set_drive("A", 41.0)
    desk.set_drive("A", 20.0)
    assert desk.drive_db("A") == pytest.approx(20.0)


class Echo(Stage):
    def process(self, block: clips.Array) -> clips.Array:
        return block

    def reset(self) -> None: ...


class EchoDesign(StageDesign):
    kind = "echo"

    def build(self, context: object) -> Echo:
        return Echo()


def test_refuses_stages_that_need_python() -> None:
    desk = make_desk()
    voice = Voice(name="Echo", stages=(EchoDesign(),))
    with pytest.raises(SettingError, match="voice 'Echo': stage echo runs in Python"):
        desk.replace("A", voice)
    before = run(desk, speech(0.5))
    assert desk.voice("A") == presets.voice("everyday")
    assert before.any()
