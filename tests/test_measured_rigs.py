"""The promise with a rig file that was measured: held at the true envelope of any transmitter.

The transmitters are drawn and judged as in tests/bench/measured_rigs.py, which does the same many
times over; what judges is tests/reference/transmitter.py.
"""

from dataclasses import replace

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.bench.measured_rigs import GOAL, OURS, Case, case, outcome
from tests.reference.transmitter import Bend

SECONDS = 2.0  # of a clip


def without_kinks(one: Case) -> Case:
    """Leave out what begins above the depth of the sweep: no sweep shows it."""
    blocks = [
        block
        for block in one.transmitter.blocks
        if not (isinstance(block, Bend) and block.compression)
    ]
    return replace(one, transmitter=replace(one.transmitter, blocks=tuple(blocks)))


@settings(
    max_examples=3,
    derandomize=True,
    deadline=None,
    phases=[Phase.generate],  # another seed is no simpler one
    suppress_health_check=[HealthCheck.too_slow],
)
@given(seed=st.integers(1, 1_000_000), clip=st.sampled_from(OURS))
def test_what_was_measured_holds_the_true_envelope(seed: int, clip: str) -> None:
    """Distortion, hum, noise, clock and detector included: limit + 1 %, and never cut off."""
    found = outcome(without_kinks(case(seed)), [clip], SECONDS)
    limit = found.case.limits_pct[0] / 100.0
    assert found.verdict.cutoffs == 0, found.case.words
    assert found.below <= GOAL, found.case.words
    assert found.above <= GOAL, found.case.words
    assert found.verdict.trough > 0.5 * limit, found.case.words  # something was sent
