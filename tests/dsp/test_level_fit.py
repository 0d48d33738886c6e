"""From readings to a level, against closed forms; the definitions are those of NEETS module 21."""

import math

import numpy as np
import pytest

from carrierfloor.dsp.envelope_reading import EnvelopeReading, check_reading
from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.level_fit import LevelFit, fit_level
from carrierfloor.dsp.level_steps import FIRST_DBFS, next_level_dbfs, uneven_level_dbfs
from carrierfloor.dsp.polarity_reading import polarity_of_reading
from carrierfloor.dsp.rising_curve import RisingCurve

LEVELS_DBFS = (-24.0, -20.0, -16.0, -14.0, -12.0, -11.0, -10.5)
FULL_DBFS = -10.0


def reading(
    level_dbfs: float, positive: float, negative: float, error: float = 0.01, carrier: float = 2.5
) -> EnvelopeReading:
    return EnvelopeReading(
        level_dbfs=level_dbfs,
        carrier=carrier,
        crest=carrier * (1 + positive),
        trough=carrier * (1 - negative),
        error=error,
    )


def straight(
    levels_dbfs: tuple[float, ...] = LEVELS_DBFS, error: float = 0.01
) -> list[EnvelopeReading]:
    indices = [10 ** ((level - FULL_DBFS) / 20) for level in levels_dbfs]
    return [
        reading(level, m, min(m, 1.0), error) for level, m in zip(levels_dbfs, indices, strict=True)
    ]


def test_definitions() -> None:
    """NEETS module 21: a crest of 2.25 is +125 %; (A - B)/(A + B) of 3 and 1 is 0.5.

    On an uneven envelope that formula misreads: 2.5 and 0.1 are +150 %, -90 %, not 92.3 %.
    """
    assert reading(0.0, 1.25, 1.0, carrier=1.0).crest == 2.25
    uneven = EnvelopeReading(level_dbfs=0.0, carrier=1.0, crest=2.5, trough=0.1, error=0.0)
    assert (uneven.positive, uneven.negative) == pytest.approx((1.5, 0.9))
    assert uneven.symmetric == pytest.approx(0.923, abs=5e-4)
    even = EnvelopeReading(level_dbfs=0.0, carrier=2.0, crest=3.0, trough=1.0, error=0.0)
    assert even.positive == even.negative == even.symmetric == 0.5


def test_a_straight_transmitter() -> None:
    fit = fit_level(straight(), 0.95)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
    assert fit.cutoff_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
    assert fit.positive_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
    assert fit.crest_at_limit == pytest.approx(0.95, abs=1e-3)
    assert all(fit.used)
    assert not any(fit.contradicts)
    assert fit.floor is None


def test_the_order_and_the_unit_of_readings_do_not_matter() -> None:
    readings = straight()
    turned = [
        EnvelopeReading(
            level_dbfs=one.level_dbfs,
            carrier=7.0 * one.carrier,
            crest=7.0 * one.crest,
            trough=7.0 * one.trough,
            error=one.error,
        )
        for one in reversed(readings)
    ]
    for fit in (fit_level(turned, 0.9), fit_level(readings, 0.9)):
        assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
        assert [one.level_dbfs for one in fit.readings] == sorted(LEVELS_DBFS)


def test_one_reading_is_enough_for_a_guess() -> None:
    fit = fit_level([reading(-16.0, 0.5, 0.5, error=0.02)], 0.95)
    assert fit.full_modulation_dbfs == pytest.approx(-16.0 + 20 * math.log10(2), abs=1e-3)
    assert fit.error_pct == pytest.approx(100 * 1.96 * 0.02 / 0.5, rel=0.01)
    assert fit.is_extrapolated


@pytest.mark.parametrize("limit", [0.8, 0.95])
def test_a_bent_transmitter_is_right_at_its_limit(limit: float) -> None:
    """Troughs of u - 0.15 u^2: at the limit u = (1 - sqrt(1 - 0.6 limit)) / 0.3."""
    amplitudes = [10 ** (level / 20) for level in (*LEVELS_DBFS, -9.5, -9.0, -8.5)]
    full = 10 ** (FULL_DBFS / 20)
    bent = [
        reading(20 * math.log10(a), a / full, a / full - 0.15 * (a / full) ** 2, 1e-4)
        for a in amplitudes
    ]
    fit = fit_level(bent, limit)
    u = (1 - math.sqrt(1 - 0.6 * limit)) / 0.3
    assert fit.full_modulation_dbfs == pytest.approx(
        FULL_DBFS + 20 * math.log10(u / limit), abs=3e-3
    )
    assert fit.crest_at_limit == pytest.approx(u, rel=0.01)


def test_errors_hold_what_they_promise() -> None:
    """Of 400 sets of readings off by 2 %, 95 % of the levels lie within the error they state."""
    random = np.random.default_rng(7)
    inside, errors = 0, []
    for _ in range(400):
        off = random.normal(size=(len(LEVELS_DBFS), 2)) * 0.02
        readings = [
            reading(level, m + up, m + down, 0.02)
            for level, m, (up, down) in zip(
                LEVELS_DBFS, (one.positive for one in straight()), off, strict=True
            )
        ]
        fit = fit_level(readings, 0.95)
        inside += abs(fit.full_modulation_dbfs - FULL_DBFS) <= fit.error_db
        errors.append(fit.error_pct)
    assert inside >= 0.95 * 400
    assert np.median(errors) < 4.0


def test_readings_beyond_cut_off_have_no_say() -> None:
    fit = fit_level(straight((*LEVELS_DBFS, -8.0, -6.0)), 0.95)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
    assert fit.used[-2:] == (False, False)
    assert fit.floor is None


def test_troughs_that_stop_early_are_told_apart() -> None:
    """Something holds the carrier up at 12 %."""
    held = [
        reading(one.level_dbfs, one.positive, min(one.negative, 0.88), 1e-3)
        for one in straight((*LEVELS_DBFS, -8.0, -6.0))
    ]
    fit = fit_level(held, 0.8)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=2e-3)
    assert fit.floor == pytest.approx(0.88, abs=0.01)
    assert fit.flat_dbfs in (-10.5, -8.0)
    assert fit.cutoff_dbfs is None


def test_a_reading_that_contradicts_all_others_is_left_out() -> None:
    readings = straight()
    readings[3] = reading(LEVELS_DBFS[3], 0.63, 0.43)  # one division too few
    fit = fit_level(readings, 0.95)
    assert fit.contradicts == (False, False, False, True, False, False, False)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=0.02)


def test_compressed_crests_do_not_move_the_level() -> None:
    readings = [
        reading(one.level_dbfs, min(one.positive, 0.6 + 0.5 * (one.positive - 0.6)), one.negative)
        for one in straight()
    ]
    fit = fit_level(readings, 0.95)
    assert fit.full_modulation_dbfs == pytest.approx(FULL_DBFS, abs=1e-3)
    assert fit.crest_at_limit == pytest.approx(0.775, abs=0.01)


def test_levels_that_were_mixed_up() -> None:
    """The deep trough was written down beside the low level."""
    with pytest.raises(AudioError, match=r"trough of 23\.3 %, a lower one 73\.3 %: "):
        fit_level([reading(-20.0, 0.807, 0.733), reading(-10.0, 0.257, 0.233)], 0.95)


@pytest.mark.parametrize(
    ("levels", "words"),
    [
        ((-60.0, -50.0), "too little to tell the level from"),
        ((-8.0, -6.0), "every step with modulation in it cuts the carrier off"),
        ((-28.0, -26.0, -24.0), "too far from the negative limit of 95 %"),
    ],
)
def test_readings_that_tell_nothing(levels: tuple[float, ...], words: str) -> None:
    with pytest.raises(AudioError, match=words):
        fit_level(straight(levels), 0.95)


@pytest.mark.parametrize(
    ("heights", "words"),
    [
        ((0.0, 3.0, 1.0), "the carrier is 0; it must be above 0"),
        ((2.0, 1.0, 3.0), "the crest, 1, is lower than the trough, 3; give the crest first"),
        ((2.0, 3.0, -1.0), "the trough is -1"),
        ((1.0, 6.0, 2.0), "does not lie between trough, 2, and crest, 6"),
    ],
)
def test_heights_that_no_envelope_has(heights: tuple[float, float, float], words: str) -> None:
    carrier, crest, trough = heights
    with pytest.raises(SettingError, match=words):
        check_reading(
            EnvelopeReading(
                level_dbfs=-20.0, carrier=carrier, crest=crest, trough=trough, error=0.02
            )
        )


def test_polarity_by_the_larger_peak() -> None:
    """Two to one was sent."""
    assert polarity_of_reading(reading(-16.0, 0.48, 0.24)) == "normal"
    assert polarity_of_reading(reading(-16.0, 0.25, 0.47)) == "inverted"
    assert polarity_of_reading(reading(-16.0, 0.40, 0.38)) is None


def test_curve_takes_no_more_than_the_readings_ask_for() -> None:
    x = np.linspace(0.1, 1.0, 10)
    error = np.full(10, 0.01)
    assert RisingCurve.through(x, 2.0 * x, error).order == 1
    curve = RisingCurve.through(x, 2.0 * x - 0.5 * x**2, error)
    assert curve.order == 2
    assert curve.at(np.array([0.5])) == pytest.approx([0.875])
    assert curve.meets(0.875) == pytest.approx(0.5, abs=1e-5)
    assert curve.slope_at(0.5) == pytest.approx(1.5, abs=1e-4)
    assert curve.meets(2.5) is None  # it turns at x = 2, height 2


def steps(full_dbfs: float, limit: float) -> list[EnvelopeReading]:
    """Go through the steps as an operator would, on a straight transmitter."""
    readings: list[EnvelopeReading] = []
    level = next_level_dbfs(None, readings, limit)
    while level is not None:
        m = 10 ** ((level - full_dbfs) / 20)
        readings.append(reading(level, m, min(m, 1.0), 0.02))
        level = next_level_dbfs(level, readings, limit)
        assert len(readings) < 30
    return readings


@pytest.mark.parametrize("full_dbfs", [-38.0, -20.0, -8.0, -1.0])
@pytest.mark.parametrize("limit", [0.8, 0.95])
def test_steps_go_up_to_the_limit_and_never_beyond(full_dbfs: float, limit: float) -> None:
    readings = steps(full_dbfs, limit)
    assert readings[0].level_dbfs == FIRST_DBFS
    deepest = max(one.negative for one in readings)
    assert deepest <= 1.02 * limit
    assert deepest > 0.9 * limit or readings[-1].level_dbfs == 0.0
    rises = np.diff([one.level_dbfs for one in readings])
    assert ((rises > 0.0) & (rises <= 6.0)).all()
    fit: LevelFit = fit_level(readings, limit)
    assert fit.full_modulation_dbfs == pytest.approx(full_dbfs, abs=0.02)


def test_steps_end_at_full_scale_where_nothing_is_read() -> None:
    level, seen = next_level_dbfs(None, [], 0.95), []
    while level is not None:
        seen.append(level)
        level = next_level_dbfs(level, [], 0.95)
    assert seen[-1] == 0.0
    assert len(seen) == 8


def test_level_of_the_uneven_step() -> None:
    assert uneven_level_dbfs(-10.0, 1.0) == pytest.approx(-16.0, abs=0.05)
    assert uneven_level_dbfs(8.0, 1.0) == 0.0
