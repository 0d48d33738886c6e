import math

import numpy as np
import pytest

from carrierfloor.dsp import desk_layout as at
from carrierfloor.dsp.activity import ActiveSpeechMeter
from carrierfloor.dsp.desk_meters import DeskMeters
from carrierfloor.dsp.desk_reader import Stretch
from carrierfloor.dsp.stage import HOP
from tests.clips import Array, rig, sound, voice
from tests.dsp.desk_runs import open_desk, stretches
from tests.reference import nasty

RATE_HZ = 48_000
HOPS_A_SECOND = RATE_HZ // HOP
PATHS = nasty.PATHS["second-order 40 Hz and 7 kHz"]


def made(
    hops: int, *, raw: float = 0.0, negative: float = 0.0, gain: float = 1.0, lost: int = 0
) -> Stretch:
    """Make a stretch of equal hops."""
    readings = np.zeros((hops, at.READING))
    readings[:, at.INPUT_PEAK] = raw
    readings[:, at.NEGATIVE_PEAK] = negative
    readings[:, at.LEAST_GAIN] = gain
    samples = np.zeros(hops * HOP)
    return Stretch(
        lost_samples=lost * HOP, readings=readings, raw=samples, card=samples, antenna=samples
    )


def active_rms(modulation: Array) -> float:
    meter = ActiveSpeechMeter()
    meter.feed(modulation)
    return meter.read().active_rms


@pytest.mark.parametrize("polarity", ["normal", "inverted"])
def test_readings_of_a_real_desk(polarity: str) -> None:
    """Every reading against the samples it is of, or the limiter's own account."""
    transmitter = rig(PATHS, polarity=polarity)
    desk = open_desk(transmitter, {"A": voice()}, "A")
    full = transmitter.level.sample_at_full_modulation
    meters = DeskMeters(full)
    taken = []
    for stretch in stretches(desk, sound("evening_round_male")[: 6 * RATE_HZ]):
        meters.feed(stretch)
        taken.append(stretch)
    got = meters.read()
    antenna = np.concatenate([stretch.antenna for stretch in taken])
    raw = np.concatenate([stretch.raw for stretch in taken])
    sent = np.concatenate([stretch.card for stretch in taken])
    moment = 38 * HOP  # 0.1 s
    assert got.input_peak_dbfs == pytest.approx(20 * math.log10(np.abs(raw[-moment:]).max()))
    assert got.card_peak_dbfs == pytest.approx(20 * math.log10(np.abs(sent[-moment:]).max()))
    # Peaks between samples are higher than the samples, by 1 % at most in a voice of 4 kHz.
    assert got.negative_pct == pytest.approx(-100 * antenna[-moment:].min(), rel=0.02)
    assert got.positive_pct == pytest.approx(100 * antenna[-moment:].max(), rel=0.02)
    assert got.negative_hold_pct == pytest.approx(-100 * antenna[-2 * RATE_HZ :].min(), rel=0.02)
    assert got.negative_max_pct == desk.meters["limiter.antenna_negative_peak_pct"]
    assert got.positive_max_pct == desk.meters["limiter.antenna_positive_peak_pct"]
    assert 90.0 < got.negative_max_pct < 95.1
    least = np.concatenate([stretch.readings for stretch in taken])[-38:, at.LEAST_GAIN].min()
    assert got.limiter_db == pytest.approx(20 * math.log10(least))
    assert not got.input_is_silent
    columns = antenna[: len(antenna) // 960 * 960].reshape(-1, 960)[-400:]
    assert np.array(meters.envelope) == pytest.approx(
        np.stack([columns.min(axis=1), columns.max(axis=1)], axis=1)
    )
    x, m = np.array(meters.trapezoid).T
    assert len(x) == 400
    assert x == pytest.approx(sent[::-1][:2000:5] / full)
    assert m == pytest.approx(antenna[::-1][:2000:5])


def test_trapezoid_of_a_flat_path_is_the_diagonal() -> None:
    """Without a path the envelope follows the sound card sample by sample."""
    transmitter = rig(polarity="inverted", full_modulation_dbfs=-12.0)
    desk = open_desk(transmitter, {"A": voice()}, "A")
    meters = DeskMeters(transmitter.level.sample_at_full_modulation)
    for stretch in stretches(desk, sound("evening_round_male")[:RATE_HZ]):
        meters.feed(stretch)
    x, m = np.array(meters.trapezoid).T
    assert np.ptp(x) > 0.2
    assert m == pytest.approx(x, abs=1e-9)


def test_density_is_the_active_level_of_the_last_five_seconds() -> None:
    """ITU-T P.56 over the same samples of real speech, to the last digit, and near the whole's."""
    desk = open_desk(rig(), {"A": voice()}, "A")
    meters = DeskMeters(1.0)
    antenna, off_db = [], []
    before = 0.0
    speech = np.concatenate([sound("evening_round_male"), sound("evening_round_female")])
    for stretch in stretches(desk, speech):
        meters.feed(stretch)
        antenna.append(stretch.antenna)
        density_pct = meters.read().density_pct
        if density_pct != before:  # it was measured just now
            past = np.concatenate(antenna)
            expected = active_rms(past[-5 * RATE_HZ :])
            assert density_pct == pytest.approx(100 * expected, rel=1e-12)
            before = density_pct
            if len(past) >= 5 * RATE_HZ:
                off_db.append(20 * math.log10(density_pct))
    assert len(off_db) >= 18
    whole_db = 20 * math.log10(100 * active_rms(np.concatenate(antenna)))
    assert np.abs(np.array(off_db) - whole_db).max() < 1.0


def test_digital_silence_takes_two_seconds_of_zeros() -> None:
    meters = DeskMeters(1.0)
    meters.feed(made(100, raw=0.1))
    meters.feed(made(2 * HOPS_A_SECOND - 1))
    assert not meters.read().input_is_silent
    meters.feed(made(1))
    assert meters.read().input_is_silent
    meters.feed(made(1, raw=1e-9))
    assert not meters.read().input_is_silent


def test_holds() -> None:
    """2 s, then 20 dB/s and 50 %/s."""
    meters = DeskMeters(1.0)
    meters.feed(made(1, raw=0.1, negative=0.9))
    meters.feed(made(2 * HOPS_A_SECOND))
    got = meters.read()
    assert (got.input_peak_dbfs, got.negative_pct) == (-120.0, 0.0)
    assert got.input_hold_dbfs == pytest.approx(-20.0)
    assert got.negative_hold_pct == 90.0
    meters.feed(made(HOPS_A_SECOND))
    got = meters.read()
    assert got.input_hold_dbfs == pytest.approx(-40.0)
    assert got.negative_hold_pct == pytest.approx(40.0)
    assert got.negative_max_pct == 90.0


def test_time_passes_over_lost_samples() -> None:
    meters = DeskMeters(1.0)
    meters.feed(made(1, raw=0.1))
    meters.feed(made(1, lost=3 * HOPS_A_SECOND - 1))
    assert meters.read().input_hold_dbfs == pytest.approx(-40.0)


def test_meters_go_to_rest_without_audio() -> None:
    meters = DeskMeters(1.0)
    meters.feed(made(10, raw=1.0, negative=0.95, gain=0.5))
    for _ in range(9):
        meters.feed(made(0))
    got = meters.read()
    assert (got.input_peak_dbfs, got.negative_pct) == (0.0, 95.0)
    assert got.limiter_db == pytest.approx(-6.02, abs=0.01)
    meters.feed(made(0))
    got = meters.read()
    assert (got.input_peak_dbfs, got.card_peak_dbfs, got.limiter_db) == (-120.0, -120.0, 0.0)
    assert (got.negative_pct, got.density_pct, meters.trapezoid) == (0.0, 0.0, ())
    assert got.negative_max_pct == 95.0


def test_before_any_audio() -> None:
    meters = DeskMeters(1.0)
    got = meters.read()
    assert (got.input_peak_dbfs, got.limiter_db, got.negative_pct) == (-120.0, 0.0, 0.0)
    assert (meters.envelope, meters.trapezoid) == ((), ())


def test_pieces_do_not_matter() -> None:
    """Moments, holds and pictures are the same however often one looks."""
    speech = sound("evening_round_female")[: 4 * RATE_HZ]
    seen = []
    for samples in (HOP, 1000, 40_000):
        desk = open_desk(rig(), {"A": voice()}, "A")
        meters = DeskMeters(0.5)
        for stretch in stretches(desk, speech, samples):
            meters.feed(stretch)
        got = meters.read()
        levels = (got.input_peak_dbfs, got.negative_pct, got.negative_hold_pct, got.limiter_db)
        seen.append((levels, got.input_hold_dbfs, meters.envelope, meters.trapezoid))
    assert seen[0] == seen[1] == seen[2]
