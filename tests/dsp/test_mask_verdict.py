"""Verdicts on spectra whose lines, and so whose margins, are known."""

import math
from typing import Any

import numpy as np
import pytest

from carrierfloor import presets
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.mask import Mask, mask_from_table
from carrierfloor.dsp.mask_verdict import judge, limit_dbc
from carrierfloor.dsp.spectrum_meter import SpectrumMeter
from tests.dsp.spectra import RATE_HZ, measured, white, with_noise

BROADCAST = presets.mask("am-broadcast")


def lines(offsets: dict[float, float], seconds: float = 1.0, rate_hz: float = 192e3) -> Any:
    """Return a carrier with lines of given levels in dBc beside it."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    total = np.full(len(t), np.exp(0.7j))
    for offset_hz, level_dbc in offsets.items():
        total += 10 ** (level_dbc / 20) * np.exp(2j * np.pi * offset_hz * t)
    return total


def simple(**settings: Any) -> Mask:
    segments = settings.pop("segments", [{"from_hz": 5000.0, "to_hz": 20_000.0, "below_db": 40.0}])
    return mask_from_table({"name": "m", "segments": segments, **settings}, "m.toml")


def test_margins_and_places_of_two_lines() -> None:
    """-40 dBc at -15.03 kHz against 25 dB; -52 dBc at 45 kHz against 50 dB."""
    verdict = judge(measured(lines({-15_030.0: -40.0, 45_000.0: -52.0}), 192e3), BROADCAST, 100.0)
    assert verdict.passes
    assert verdict.lower is not None
    assert verdict.lower.margin_db == pytest.approx(15.0, abs=0.1)
    assert verdict.lower.offset_hz == pytest.approx(-15_030.0, abs=15.0)
    assert verdict.upper is not None
    assert verdict.upper.margin_db == pytest.approx(2.0, abs=0.1)
    assert verdict.upper.offset_hz == pytest.approx(45_000.0, abs=15.0)
    assert verdict.upper.limit_dbc == pytest.approx(-50.0, abs=0.1)


@pytest.mark.parametrize("part", np.linspace(0.0, 0.9, 7))
def test_a_line_reads_its_level_wherever_it_falls_between_bins(part: float) -> None:
    bin_hz = measured(lines({}), 192e3).bin_hz
    offset_hz = (round(15_000.0 / bin_hz) + part) * bin_hz
    verdict = judge(measured(lines({offset_hz: -30.0}), 192e3), BROADCAST)
    assert verdict.upper is not None
    assert verdict.upper.level_dbc == pytest.approx(-30.0, abs=0.05)
    assert verdict.upper.offset_hz == pytest.approx(offset_hz, abs=0.05 * bin_hz)


def test_too_much_fails_on_its_side() -> None:
    verdict = judge(measured(lines({25_000.0: -34.0}), 192e3), BROADCAST)
    assert verdict.passes is False
    assert verdict.upper is not None
    assert verdict.upper.margin_db == pytest.approx(-1.0, abs=0.05)
    assert verdict.lower is not None
    assert verdict.lower.margin_db > 30.0


def test_a_short_burst_counts_in_peak_hold_and_hardly_in_the_mean() -> None:
    signal = lines({}, seconds=3.0)
    at = slice(300_000, 305_760)
    signal[at] += 0.1 * np.exp(2j * np.pi * 15_000.0 * np.arange(5760) / 192e3)
    spectrum = measured(signal, 192e3)
    held, mean = (judge(spectrum, simple(hold=hold)) for hold in ("peak", "mean"))
    assert held.upper is not None
    assert held.upper.level_dbc == pytest.approx(-20.0, abs=0.2)
    assert mean.upper is not None
    assert mean.upper.level_dbc == pytest.approx(-20.0 - 20.0, abs=0.4)  # 1 % of the time


def test_what_was_not_recorded_is_said_and_not_judged() -> None:
    """A recording of 48 kHz holds 24 kHz: nothing can be said about 75 kHz."""
    spectrum = measured(with_noise(0.2, 3000.0, seconds=2.0))
    verdict = judge(spectrum, BROADCAST, 100.0)
    assert verdict.passes
    assert not verdict.is_whole
    assert all(
        words in " ".join(verdict.notes)
        for words in ("nothing beyond 24 kHz on the lower", "23.9 kHz on the upper side can be")
    )
    for stretch in verdict.stretches:
        assert stretch.recorded_to_hz == pytest.approx(
            min(stretch.to_hz, max(24_000.0, stretch.from_hz)), abs=150.0
        )


def test_a_recording_too_narrow_for_any_of_it_gives_no_verdict() -> None:
    meter = SpectrumMeter(RATE_HZ, lowest_hz=-8000.0, highest_hz=8000.0)
    meter.feed(with_noise(0.2, 3000.0, seconds=2.0))
    verdict = judge(meter.read(1.0), BROADCAST, 100.0)
    assert verdict.passes is None
    assert verdict.lower is None
    assert verdict.upper is None


def test_sides_recorded_unevenly_are_judged_as_far_as_each_goes() -> None:
    """A low IF of 12 kHz: 12 kHz below the carrier and 12 above."""
    meter = SpectrumMeter(96e3, lowest_hz=-12e3, highest_hz=36e3)
    meter.feed(lines({}, rate_hz=96e3))
    stretches = judge(meter.read(1.0), BROADCAST, 100.0).stretches
    reach = {side: max(s.recorded_to_hz for s in stretches if s.side == side and s.from_hz < 36e3)
             for side in ("lower", "upper")}  # fmt: skip
    assert reach["lower"] == pytest.approx(20e3, abs=10e3)
    assert reach["upper"] == pytest.approx(36e3, abs=200.0)


def test_noise_above_the_limit_hides_it_and_fails_nothing() -> None:
    """Noise of -30 dBc in 300 Hz against -40 dBc: not seen, so neither kept nor broken."""
    rms = math.sqrt(10**-3.0 * 192e3 / 300.0)
    spectrum = measured(lines({}, 3.0) + white(3 * 192_000, rms), 192e3)
    for hold in ("peak", "mean"):
        verdict = judge(spectrum, simple(hold=hold))
        assert verdict.passes is None or verdict.passes
        assert sum(stretch.hidden_hz for stretch in verdict.stretches) > 25_000.0
        assert not verdict.is_whole
        assert any("hidden by the recording's noise" in note for note in verdict.notes)


def test_a_line_out_of_that_noise_fails() -> None:
    rms = math.sqrt(10**-3.0 * 192e3 / 300.0)
    noisy = lines({10_000.0: -8.0}, 3.0) + white(3 * 192_000, rms)
    verdict = judge(measured(noisy, 192e3), simple())
    assert verdict.passes is False
    assert verdict.upper is not None
    assert verdict.upper.offset_hz == pytest.approx(10_000.0, abs=100.0)


def test_a_line_that_noise_lifts_above_the_limit_does_not_fail() -> None:
    """-41 dBc against 40 dB, noise of -60 dBc: peak hold reads their amplitudes' sum."""
    rms = math.sqrt(10**-6.0 * 192e3 / 300.0)
    noisy = lines({10_000.0: -41.0}, 3.0) + white(3 * 192_000, rms)
    spectrum = measured(noisy, 192e3)
    assert spectrum.peak_dbc[np.abs(spectrum.offset_hz - 10_000.0) < 200.0].max() > -40.0
    verdict = judge(spectrum, simple())
    assert verdict.passes
    assert 0.0 < verdict.stretches[1].hidden_hz < 1000.0


def test_another_station_is_not_mirrored_and_splatter_is() -> None:
    t = np.arange(3 * 192_000) / 192e3
    splatter = lines({15_000.0: -30.0, -15_000.0: -30.0}, 3.0)
    splatter -= np.exp(0.7j)  # its lines mirror each other about a carrier of phase 0
    station = lines({12_000.0: -20.0}, 3.0)
    ours = judge(measured(1.0 + splatter, 192e3), BROADCAST)
    theirs = judge(measured(station, 192e3), BROADCAST)
    assert len(t) == len(station)
    assert ours.upper is not None
    assert ours.upper.shared_part > 0.99
    assert not any("one side alone" in note for note in ours.notes)
    assert theirs.upper is not None
    assert theirs.upper.shared_part < 0.01
    assert theirs.passes is False
    assert any("at +12.0 kHz one side alone exceeds it" in note for note in theirs.notes)


def test_ranges_taken_out_are_not_judged() -> None:
    spectrum = measured(lines({15_000.0: -10.0}), 192e3)
    assert judge(spectrum, BROADCAST).passes is False
    assert judge(spectrum.without([(14_000.0, 16_000.0)]), BROADCAST).passes


def test_notes_on_power_duration_and_memory() -> None:
    spectrum = measured(lines({2000.0: -20.0, -2000.0: -20.0}), 192e3)
    notes = judge(spectrum, BROADCAST).notes
    assert any("the rule wants 600 s of peak hold; this is 1 s" in note for note in notes)
    assert any("depends on the carrier's power" in note for note in notes)
    assert not any("power" in note for note in judge(spectrum, BROADCAST, 100.0).notes)
    memory = judge(spectrum, presets.mask("a3e-telephony"), sideband_power=0.02).notes
    assert any("from memory" in note for note in memory)


def test_reference_of_the_sidebands() -> None:
    """Noise flat to 3 kHz fills 6 kHz evenly: its own level is 0 dB, limits count from there."""
    spectrum = measured(with_noise(0.3, 3000.0))
    mask = presets.mask("a3e-telephony")
    limit = limit_dbc(spectrum, mask, sideband_power=0.09)
    flat = np.median(spectrum.mean_dbc[(spectrum.offset_hz > 1000) & (spectrum.offset_hz < 2500)])
    at = int(np.argmin(np.abs(spectrum.offset_hz - 4200.0)))
    assert spectrum.offset_hz[at] == pytest.approx(4200.0, abs=1e-6)
    assert limit[at] == pytest.approx(flat - 20.0, abs=0.2)
    assert math.isnan(limit[np.argmin(np.abs(spectrum.offset_hz - 1500.0))])
    assert judge(spectrum, mask, sideband_power=0.09).passes


def test_without_sidebands_that_reference_is_refused() -> None:
    spectrum = measured(lines({}))
    for power in (None, 0.0):
        with pytest.raises(SettingError, match="refers to the sidebands, and there are none"):
            judge(spectrum, presets.mask("a3e-telephony"), sideband_power=power)


def test_another_resolution_is_refused() -> None:
    spectrum = measured(lines({}), 192e3, resolution_hz=100.0)
    with pytest.raises(SettingError, match="asks for 300 Hz"):
        judge(spectrum, BROADCAST)
