"""What leaves the antenna beyond the audio band, by tests/reference/antenna.py alone.

The remedies that operators have today stand beside it as the reference.
"""

import pytest

from carrierfloor import presets
from tests import clips
from tests.bench import side_by_side as bench_module
from tests.bench.side_by_side import FINE, RATE_HZ, Bench
from tests.reference import antenna
from tests.reference.speech_level import active_rms

DRIVE_DB = 12.0


@pytest.fixture(scope="module")
def bench() -> Bench:
    return Bench(presets.voice().with_drive(DRIVE_DB), presets.rig())


def modulation(bench: Bench, card: clips.Array) -> clips.Array:
    return antenna.modulation(card, RATE_HZ, 1.0, bench.path, FINE)


def emission_dbc(bench: Bench, fine: clips.Array, samples: clips.Array) -> float:
    return antenna.emission_dbc(fine, FINE * RATE_HZ, bench.stop_hz, len(samples) / RATE_HZ)


@pytest.mark.parametrize("name", clips.SPOKEN)
def test_speech_stays_in_its_channel(name: str, bench: Bench) -> None:
    """At most -80 dBc, and 40 dB below a compressed voice as dense behind an ideal diode."""
    samples = clips.sound(name)
    fine = modulation(bench, bench_module.ours(bench, samples))
    beyond_dbc = emission_dbc(bench, fine, samples)
    diode = bench_module.diode_clipped(bench, samples, active_rms(fine[::FINE], RATE_HZ))
    assert beyond_dbc <= -80.0
    assert beyond_dbc <= emission_dbc(bench, diode, samples) - 40.0


@pytest.mark.parametrize("name", ["F1_harvard_phrases", "M1_harvard_phrases", "whisper_female"])
def test_limiter_that_knows_no_path_cuts_the_carrier_off(name: str, bench: Bench) -> None:
    """Why the path is inside the limiter: held at the card, beyond -100 % at the antenna."""
    card = bench_module.path_blind(bench, clips.sound(name))
    assert antenna.judge(card, RATE_HZ, 1.0, []).trough == pytest.approx(0.95, abs=2e-3)
    at_antenna = antenna.judge(card, RATE_HZ, 1.0, bench.path)
    assert at_antenna.trough > 1.0
    assert at_antenna.cutoffs > 0
