"""The sweep and its deconvolution against an outside library and closed forms."""

import math

import numpy as np
import pyfar
import pytest
from scipy import signal as scipy_signal

from carrierfloor.dsp.deconvolution import Deconvolution
from carrierfloor.dsp.sections import Section, analogue_response
from carrierfloor.dsp.signals import Sweep
from carrierfloor.dsp.sweep_recognition import KnownSweep
from carrierfloor.dsp.sweep_response import measure_response
from tests import measured
from tests.reference.capture import Capture
from tests.reference.transmitter import Bend, Transmitter


@pytest.mark.parametrize(
    ("lowest_hz", "highest_hz", "seconds"), [(20.0, 20_000.0, 10.0), (50.0, 5000.0, 5.0)]
)
def test_sweep_equals_the_published_implementation(
    lowest_hz: float, highest_hz: float, seconds: float
) -> None:
    """pyfar.signals.exponential_sweep_time, after A. Farina (2000)."""
    ours = Sweep(
        lowest_hz=lowest_hz, highest_hz=highest_hz, duration_s=seconds, sample_rate_hz=48_000
    )
    count = round(seconds * 48_000)
    theirs = pyfar.signals.exponential_sweep_time(
        count, [lowest_hz, highest_hz], n_fade_out=0, amplitude=1.0, sampling_rate=48_000
    ).time[0]
    np.testing.assert_allclose(ours.at(0, count), theirs, atol=1e-7)


@pytest.mark.parametrize(
    ("lowest_hz", "highest_hz", "seconds", "advances_s"),
    [
        (20.0, 20_000.0, 10.0, (1.00343, 1.59040, 2.00687)),
        (50.0, 5000.0, 5.0, (0.75257, 1.19280, 1.50515)),
    ],
)
def test_harmonics_come_early_by_l_ln_k(
    lowest_hz: float, highest_hz: float, seconds: float, advances_s: tuple[float, ...]
) -> None:
    """A. Farina (2000): the k-th harmonic is ahead by L ln k; numbers worked out by hand."""
    sent = measured.ramped(lowest_hz, highest_hz, seconds, peak=1.0)
    samples = measured.samples_of(sent)
    assert isinstance(sent.signal, Sweep)
    known = KnownSweep(sweep=sent.signal, peak=1.0, ramp_samples=sent.ramp_samples)
    for order, advance_s in zip((2, 3, 4), advances_s, strict=True):
        # A capture that is the fundamental and its k-th harmonic, as far as the sweep reaches.
        t = np.arange(len(samples)) / 48_000
        scale = sent.signal.time_constant_s
        phase = 2.0 * np.pi * lowest_hz * scale * np.expm1(t / scale)
        reached = order * lowest_hz * np.exp(t / scale) < 0.9 * highest_hz
        harmonic = 0.1 * np.sin(order * phase) * reached
        found = Deconvolution(np.pad(samples + harmonic, (120_000, 0)), known)
        assert found.delay == 120_000
        assert found.advance(order) == pytest.approx(advance_s * 48_000, abs=1.0)
        envelope = np.abs(scipy_signal.hilbert(found.impulses[: found.delay - 9600]))
        assert found.delay - int(np.argmax(envelope)) == pytest.approx(advance_s * 48_000, abs=3.0)


def test_distortion_of_a_cubic_law() -> None:
    """y = x + 0.1 x^2 + 0.05 x^3 of a unit sine, by sin^2 = (1 - cos 2p) / 2 and
    sin^3 = (3 sin p - sin 3p) / 4: fundamental 1.0375, second 0.05, third 0.0125."""
    # Depth 1 would cut the carrier off; at a fifth of it, a law five times as bent does the same.
    bent = Transmitter((Bend(second=0.25, third=0.3125),), full_modulation=1.25)
    response = measure_response(
        measured.captured(bent, Capture(noise_db=90.0, bits=24)), 48_000, measured.known()
    )
    second, third = (
        np.interp(500.0, one.frequency_hz, np.abs(one.ratio)) for one in response.harmonics[:2]
    )
    assert second == pytest.approx(0.0500 / 1.0375, rel=0.005)
    assert third == pytest.approx(0.0125 / 1.0375, rel=0.01)
    phases = [np.angle(one.ratio[len(one.ratio) // 2]) for one in response.harmonics[:2]]
    assert phases[0] == pytest.approx(-math.pi / 2, abs=0.02)
    assert abs(phases[1]) == pytest.approx(math.pi, abs=0.05)


SECTIONS = [
    Section(kind="highpass", corner_hz=40.0),
    Section(kind="highpass", corner_hz=40.0, q=0.7),
    Section(kind="lowpass", corner_hz=5000.0),
    Section(kind="lowpass", corner_hz=5000.0, q=2.0),
    Section(kind="peak", centre_hz=900.0, gain_db=3.0, q=0.8),
    Section(kind="lowshelf", corner_hz=200.0, gain_db=-4.0),
    Section(kind="highshelf", corner_hz=2500.0, gain_db=4.0, q=0.6),
    Section(kind="allpass", corner_hz=900.0),
    Section(kind="allpass", corner_hz=900.0, q=0.8),
]


@pytest.mark.parametrize("section", SECTIONS, ids=lambda one: f"{one.kind} {one.q}")
def test_sections_against_scipy(section: Section) -> None:
    """scipy.signal.freqs of the polynomials in s."""
    frequency_hz = np.geomspace(5.0, 20_000.0, 200)
    _, expected = scipy_signal.freqs(*section.analogue(), worN=2 * np.pi * frequency_hz)
    np.testing.assert_allclose(analogue_response([section], frequency_hz), expected, rtol=1e-10)


@pytest.mark.parametrize("q", [None, 0.5, 1.5])
def test_all_pass_turns_phase_and_nothing_else(q: float | None) -> None:
    """Magnitude 1 everywhere; at the corner -90 degrees of first order, -180 of second."""
    section = Section(kind="allpass", corner_hz=900.0, q=q)
    response = analogue_response([section], np.array([1.0, 300.0, 900.0, 2700.0, 20_000.0]))
    np.testing.assert_allclose(np.abs(response), 1.0, rtol=1e-12)
    turn = -math.pi / 2 if q is None else -math.pi
    assert abs(np.angle(response[2] * np.exp(-1j * turn))) < 1e-9
