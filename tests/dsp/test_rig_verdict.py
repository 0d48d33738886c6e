"""The verdict on figures made by hand; tests/cli/test_check.py has whole recordings."""

from dataclasses import replace

import pytest

from carrierfloor.dsp.rig import Carrier, Level, Modulation, Rig
from carrierfloor.dsp.rig_verdict import (
    LEVEL,
    MARGIN,
    NONE,
    PATH,
    POLARITY,
    POWER,
    Reached,
    judge_rig,
    not_seen,
)

RIG = Rig(
    name="a rig",
    modulation=Modulation(negative_limit_pct=95.0, positive_limit_pct=125.0),
    level=Level(full_modulation_dbfs=-6.0),
)
HELD = Reached(positive=1.25, negative=0.95, cutoffs=0, error=0.001, edge=2.5)


def test_what_the_limiter_holds_needs_no_change() -> None:
    verdict = judge_rig(HELD, RIG)
    assert verdict.keeps
    assert verdict.what == NONE
    assert not verdict.corrections


@pytest.mark.parametrize("off_db", [0.3, 1.0, 2.0])
def test_both_peaks_alike_with_a_sharp_edge_tell_the_level(off_db: float) -> None:
    """20 lg of the common ratio is the correction."""
    ratio = 10 ** (off_db / 20)
    reached = replace(
        HELD, positive=1.25 * ratio, negative=0.95 * ratio, cutoffs=int(ratio * 0.95 > 1.0)
    )
    verdict = judge_rig(reached, RIG)
    assert verdict.keeps is False
    assert verdict.what == LEVEL
    (change,) = verdict.corrections
    assert change.key == "full_modulation_dbfs"
    assert change.new == pytest.approx(-6.0 - off_db, abs=0.01)
    assert f"{off_db:.2f} dB" in verdict.words


def test_a_sharp_edge_below_both_limits_lets_the_level_go_up() -> None:
    verdict = judge_rig(replace(HELD, positive=1.25 * 0.9, negative=0.95 * 0.9), RIG)
    assert verdict.keeps
    assert verdict.what == LEVEL
    assert verdict.corrections[0].new == pytest.approx(-6.0 + 0.92, abs=0.01)


def test_quiet_audio_says_nothing_of_the_level() -> None:
    quiet = Reached(positive=0.6, negative=0.5, cutoffs=0, error=0.001, edge=0.4)
    verdict = judge_rig(quiet, RIG)
    assert verdict.keeps
    assert not verdict.corrections
    assert "not loud enough" in verdict.words


def test_troughs_alone_too_deep_ask_for_a_margin() -> None:
    """What is sent shrinks by 95 / 98: 95 % becomes 92.1 %, a margin of 2.9 and a little."""
    verdict = judge_rig(replace(HELD, negative=0.98, edge=0.6), RIG)
    assert verdict.what == MARGIN
    (change,) = verdict.corrections
    assert change.key == "negative_margin_pct"
    assert change.new == pytest.approx(95.0 * (1.0 - 95.0 / 98.0) + 0.2, abs=0.11)
    again = replace(RIG, modulation=replace(RIG.modulation, negative_margin_pct=float(change.new)))
    scaled = 0.98 * again.modulation.negative_aim / RIG.modulation.negative_aim
    assert judge_rig(replace(HELD, negative=scaled, edge=0.6), again).keeps


def test_a_smeared_edge_is_never_taken_for_the_level() -> None:
    verdict = judge_rig(replace(HELD, positive=1.29, negative=0.98, edge=0.7), RIG)
    assert verdict.what == MARGIN
    assert {change.key for change in verdict.corrections} == {
        "negative_margin_pct",
        "positive_margin_pct",
    }


def test_far_too_deep_means_measure_again() -> None:
    verdict = judge_rig(replace(HELD, negative=1.2, cutoffs=9, edge=0.5), RIG)
    assert verdict.what == PATH
    assert not verdict.corrections


def test_swapped_peaks_tell_the_polarity() -> None:
    verdict = judge_rig(replace(HELD, positive=0.95, negative=1.2, cutoffs=99), RIG)
    assert verdict.what == POLARITY
    assert verdict.corrections[0].new == "inverted"
    turned = replace(RIG, level=replace(RIG.level, polarity="inverted"))
    assert judge_rig(HELD, turned, is_upside_down=True).corrections[0].new == "normal"


def test_a_reference_tells_the_level_better() -> None:
    reached = replace(HELD, positive=1.40, negative=1.066, cutoffs=50, edge=None)
    assert judge_rig(reached, RIG, 1.0).corrections[0].new == pytest.approx(-7.0, abs=0.01)
    assert judge_rig(replace(reached, positive=1.2, edge=0.5), RIG, 0.0).what != LEVEL


def test_peak_power_over_what_is_allowed() -> None:
    """300 W at +125 % are 1518.75 W; 1500 W are +123 %."""
    strong = replace(RIG, carrier=Carrier(power_w=300.0, pep_limit_w=1500.0))
    verdict = judge_rig(HELD, strong)
    assert verdict.what == POWER
    assert verdict.keeps is False
    assert verdict.corrections[0].new == 123.0
    stronger = replace(strong, carrier=Carrier(power_w=1000.0, pep_limit_w=1500.0))
    assert "Lower the carrier" in judge_rig(HELD, stronger).words


def test_noise_within_the_error_breaks_no_limit() -> None:
    assert judge_rig(replace(HELD, negative=0.957, error=0.003), RIG).keeps
    assert judge_rig(replace(HELD, negative=0.957, error=0.0005), RIG).keeps is False


def test_what_a_detector_does_not_see_is_not_called_safe() -> None:
    verdict = not_seen(judge_rig(HELD, RIG), 0.99)
    assert verdict.keeps is None
    assert "99.0 %" in verdict.words
    broken = judge_rig(replace(HELD, negative=1.2, cutoffs=9), RIG)
    assert not_seen(broken, 1.0) is broken
