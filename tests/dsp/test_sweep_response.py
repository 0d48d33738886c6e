"""What the capture of a sweep tells, from simulated transmitters; and what is refused."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import soxr

from carrierfloor.dsp.errors import AudioError, SettingError
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.sweep_clock import clock_phase, minimum_phase
from carrierfloor.dsp.sweep_response import Detector, SweepResponse, measure_response
from tests import measured
from tests.reference.antenna import response as rows_response
from tests.reference.capture import Capture
from tests.reference.transmitter import RATE_HZ, Bend, Filter, Sections, Transmitter, all_pass

PLAIN = measured.PLAIN


def measure(
    transmitter: Transmitter = PLAIN,
    capture: Capture = measured.CAPTURE,
    detector: Detector | None = None,
) -> SweepResponse:
    return measure_response(
        measured.captured(transmitter, capture), RATE_HZ, measured.known(), detector
    )


def error(found: SweepResponse, transmitter: Transmitter) -> measured.Array:
    """Return the error of the response over its noise, gain, delay and drift set free."""
    true = transmitter.response(found.frequency_hz)
    ratio = found.response / true
    unknown = [
        np.ones(len(ratio)),
        found.frequency_hz / 1000.0,
        clock_phase(found.frequency_hz, found.sweep),
    ]
    weight = np.abs(true) / found.noise
    columns = np.stack(unknown, axis=1) * weight[:, np.newaxis]
    phase = np.unwrap(np.angle(ratio))
    turn = np.stack(unknown, axis=1) @ np.linalg.lstsq(columns, phase * weight)[0]
    ratio = ratio * np.exp(-1j * turn)
    ratio /= np.sum(ratio.real * weight**2) / np.sum(weight**2)
    return np.asarray(np.abs(ratio - 1.0) * weight)


@pytest.mark.parametrize(
    ("delay_s", "clock_ppm", "peak"),
    [(0.0, 0.0, 0.5), (1.234567, 50.0, -0.2), (0.1, -300.0, 0.9)],
)
def test_error_is_what_its_noise_says(delay_s: float, clock_ppm: float, peak: float) -> None:
    """30 dB of noise; delay, clock, polarity and gain come out, and the error bars are right.

    Cells whose steep slope costs a little more than noise leave them up to a third too small.
    """
    capture = Capture(delay_s=delay_s, clock_ppm=clock_ppm, peak=peak, noise_db=30.0)
    found = measure(capture=capture)
    assert found.delay_s == pytest.approx(delay_s, abs=2e-4)  # the path itself is a little late
    assert found.clock_ppm == pytest.approx(clock_ppm, abs=5.0)
    assert found.peak_dbfs == pytest.approx(20.0 * np.log10(abs(peak)), abs=0.01)
    # The noise is white up to 24 kHz, and only that below 10 kHz counts: 3.8 dB less.
    assert found.signal_to_noise_db == pytest.approx(30.0 + 3.8, abs=1.0)
    assert 0.8 < np.sqrt(np.mean(error(found, PLAIN) ** 2)) < 1.35


def test_clean_capture_is_exact() -> None:
    """Without noise the response is right within 0.05 % from 40 Hz to 9 kHz."""
    found = measure(capture=Capture(noise_db=120.0, bits=24, clock_ppm=30.0))
    kept = (found.frequency_hz > 40.0) & (found.frequency_hz < 9000.0)
    off = error(found, PLAIN) * found.noise
    assert off[kept].max() < 5e-4


def test_hum_is_measured_and_does_no_harm() -> None:
    """40 dB below the carrier at 60 and 120 Hz is 2 % of a sweep of 50 %."""
    humming = replace(PLAIN, hum=((60.0, 0.01, 0.3), (120.0, 0.01, 2.0)))
    found = measure(humming, Capture(noise_db=50.0))
    lines = sorted((line.frequency_hz, line.ratio) for line in found.hum)
    assert [f for f, _ in lines] == pytest.approx([60.0, 120.0], abs=0.01)
    assert [ratio for _, ratio in lines] == pytest.approx([0.02, 0.02], rel=0.02)
    near = (found.frequency_hz > 50.0) & (found.frequency_hz < 140.0)
    assert (error(found, PLAIN) * found.noise)[near].max() < 0.003


@pytest.mark.parametrize("inverted", [False, True])
def test_harmonics_of_a_bend_behind_the_path(inverted: bool) -> None:
    """y = x + a x^2 + b x^3 of depth d: a d / 2 and b d^2 / 4 over the fundamental, with phases
    -90 and 180 degrees; turning the capture over turns the even ones."""
    bent = Transmitter((measured.HIGH_PASS, Bend(second=0.02, third=-0.01)))
    found = measure(bent, Capture(peak=-0.5 if inverted else 0.5))
    second, third, fourth, _ = found.harmonics
    at = int(np.argmin(np.abs(second.frequency_hz - 1000.0)))
    side = -1.0 if inverted else 1.0
    assert second.ratio[at] == pytest.approx(-1j * side * 0.01, abs=2e-4)
    at = int(np.argmin(np.abs(third.frequency_hz - 1000.0)))
    assert third.ratio[at] == pytest.approx(0.0025, abs=1e-4)
    assert np.abs(fourth.ratio).max() < 1e-3
    assert found.distortion_at(1000.0) == pytest.approx(np.hypot(0.01, 0.0025), rel=0.03)


def test_detector_is_divided_out() -> None:
    """Its sections, or its own response measured with the same sweep, polarity included."""
    rows = [{"kind": "highpass", "corner_hz": 5.0}, {"kind": "lowpass", "corner_hz": 6000.0}]
    capture = Capture(detector=(Sections(tuple(rows)),), peak=-0.5)
    by_sections = measure(
        capture=capture,
        detector=Detector(
            sections=(
                Section(kind="highpass", corner_hz=5.0),
                Section(kind="lowpass", corner_hz=6000.0),
            )
        ),
    )
    alone = measure_response(
        measured.captured(Transmitter(()), capture), RATE_HZ, measured.known(), of_a_detector=False
    )
    by_measurement = measure(capture=capture, detector=alone.as_detector())
    size = np.abs(rows_response(PLAIN.blocks[0].rows, by_sections.frequency_hz))  # type: ignore[union-attr]
    assert size[0] < 0.4  # there is a path to be seen
    for found in (by_sections, by_measurement):
        true = np.abs(PLAIN.response(found.frequency_hz))
        kept = (found.frequency_hz > 30.0) & (found.frequency_hz < 9000.0)
        np.testing.assert_allclose(np.abs(found.response)[kept], true[kept], rtol=0.01)
    middle = int(np.argmin(np.abs(by_sections.frequency_hz - 500.0)))
    assert by_sections.response[middle].real < 0.0 < by_measurement.response[middle].real


def test_detector_response_must_reach_as_far() -> None:
    narrow = Detector(
        frequency_hz=np.array([100.0, 1000.0, 3000.0]), response=np.ones(3, dtype=complex)
    )
    with pytest.raises(SettingError, match="measure the detector with the same sweep"):
        measure(detector=narrow)


def test_minimum_phase_of_a_known_filter() -> None:
    """The phase of an analogue low-pass and high-pass from their magnitude; where a fit begins."""
    frequency_hz = np.geomspace(10.0, 20_000.0, 600)
    response = PLAIN.response(frequency_hz)
    phase = minimum_phase(frequency_hz, np.abs(response))
    middle = (frequency_hz > 60.0) & (frequency_hz < 6000.0)
    np.testing.assert_allclose(phase[middle], np.angle(response)[middle], atol=0.06)
    turning = Transmitter((*PLAIN.blocks, all_pass(900.0)))
    np.testing.assert_allclose(np.abs(turning.response(frequency_hz)), np.abs(response))


def _good() -> measured.Array:
    return measured.captured(PLAIN, Capture(noise_db=40.0))


def _of_another(**changes: float) -> measured.Array:
    other = measured.samples_of(measured.ramped(**changes))  # type: ignore[arg-type]
    return Capture(after_s=2.0).record(PLAIN, other)


def _with_gap(begin_s: float, end_s: float) -> measured.Array:
    gap = slice(round(begin_s * RATE_HZ), round(end_s * RATE_HZ))
    capture = np.array(_good())
    capture[gap] = 0.0
    return capture


REFUSED: dict[str, tuple[Callable[[], measured.Array], str]] = {
    "silent": (lambda: 1e-6 * _good(), "silent"),
    "no numbers": (lambda: np.where(np.arange(len(_good())) == 9, np.nan, _good()), "no numbers"),
    "clipped": (lambda: np.clip(3.0 * _good(), -1.0, 1.0), "clipped at full scale"),
    "clipped before": (lambda: np.clip(_good(), -0.3, 0.3), "crests and troughs are cut flat"),
    "end missing": (lambda: _good()[:-40_000], r"truncated: the last 0\.3. s"),
    "too short": (lambda: _good()[:100_000], r"truncated: it is 2\.1 s long, the sweep 5\.0 s"),
    "beginning missing": (lambda: _good()[24_000:], r"truncated: the first 0\.2 s|0\.20 s"),
    "noisy": (lambda: measured.captured(PLAIN, Capture(noise_db=13.0)), r"too noisy: 1\d dB"),
    "noise": (lambda: 0.1 * np.random.default_rng(3).standard_normal(300_000), "does not hold"),
    "another length": (lambda: _of_another(seconds=5.05), r"(0\.9|1\.0)\d % longer"),
    "another band": (lambda: _of_another(lowest_hz=40.0), "does not hold|% longer|% shorter"),
    "another rate": (lambda: soxr.resample(_good(), 44_100, 48_000), "does not hold"),
    "gap": (lambda: _with_gap(2.0, 2.0107), r"digitally silent for 11 ms at 2\.00 s"),
    "padded end": (lambda: _with_gap(4.9, 9.9), r"digitally silent for \d+ ms at 4\.90 s"),
    "cut off": (lambda: Capture(noise_db=40.0).record(PLAIN, 2.3 * measured.played()), "troughs"),
    "cut off, inverted": (
        lambda: Capture(noise_db=40.0, peak=-0.5).record(PLAIN, 2.3 * measured.played()),
        "crests",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refusals(name: str) -> None:
    """Each says in one line what is wrong."""
    capture, words = REFUSED[name]
    with pytest.raises(AudioError, match=words) as refusal:
        measure_response(capture(), RATE_HZ, measured.known())
    assert "\n" not in str(refusal.value)


def test_digital_silence_around_the_sweep_is_none_within_it() -> None:
    """Nor where a low-pass leaves less of it than the last of 16 bits."""
    falling = Sections(({"kind": "lowpass", "corner_hz": 800.0, "q": 0.7},))
    dull = Transmitter((falling,))
    capture = Capture(noise_db=120.0, peak=0.0015).record(dull, measured.played())
    capture = np.round(np.pad(capture, 30_000) * 32768.0) / 32768.0
    assert np.flatnonzero(capture)[-1] < 30_000 + 5.2 * RATE_HZ  # it ends at 5.3 s
    found = measure_response(capture, RATE_HZ, measured.known(), least_signal_to_noise_db=0.0)
    assert found.delay_s == pytest.approx(30_000 / RATE_HZ + 0.3, abs=0.01)


def test_refuses_another_sample_rate() -> None:
    with pytest.raises(AudioError, match="sample rate of 44100 Hz, the sweep 48000 Hz"):
        measure_response(_good(), 44_100, measured.known())


def test_more_noise_is_allowed_where_asked_for() -> None:
    """A first short look at a lower level may be noisier."""
    capture = measured.captured(PLAIN, Capture(noise_db=13.0))
    found = measure_response(capture, RATE_HZ, measured.known(), least_signal_to_noise_db=10.0)
    assert 15.0 < found.signal_to_noise_db < 19.0


@pytest.mark.parametrize("seconds", [0.5, 2.0])
def test_short_sweeps(seconds: float) -> None:
    """A short sweep has a small L: its path's own delay must not be taken for drift."""
    steep = Transmitter(
        (Sections(({"kind": "highpass", "corner_hz": 60.0, "q": 1.4},)), Filter((1.0,), (1.0,)))
    )
    capture = measured.captured(steep, Capture(noise_db=70.0), seconds)
    found = measure_response(capture, RATE_HZ, measured.known(seconds))
    assert abs(found.clock_ppm) < 60.0
    kept = (found.frequency_hz > 60.0) & (found.frequency_hz < 8000.0)
    true = np.abs(steep.response(found.frequency_hz))
    np.testing.assert_allclose(np.abs(found.response)[kept], true[kept], rtol=0.02)
