"""How the peaks of a limited waveform grow back after a path, against closed forms.

Why a clipper in the speech amplifier does not hold the carrier up: a waveform within +-1 comes
out of a coupling capacitor, a transformer or a low-pass higher than it went in.  The closed forms
follow from exponentials; they are compared with the analogue sections that paths are made of.
"""

import math
from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import linalg, signal

from carrierfloor.dsp.antenna import Antenna
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.sections import Section, analogue_response

Array = NDArray[np.float64]

FIRST = [None]  # q of each section: None is first order
TWO_EQUAL = [None, None]
THREE_EQUAL = [None, None, None]


def butterworth(order: int) -> list[float | None]:
    """Return the q of each section: 1 / (2 cos a), poles at angles a off the negative axis."""
    angles = [math.pi * (2 * k + 1) / (2 * order) for k in range(order // 2)]
    pairs: list[float | None] = [1 / (2 * math.sin(angle)) for angle in angles]
    return pairs + ([None] if order % 2 else [])


def cascade(kind: str, corner_hz: float, qs: Sequence[float | None]) -> list[Section]:
    return [Section(kind=kind, corner_hz=corner_hz, q=q) for q in qs]


class Circuit:
    """The state space of a cascade of analogue sections: x' = A x + B u, y = C x + D u."""

    def __init__(self, sections: Sequence[Section]) -> None:
        top: Array = np.ones(1)
        bottom: Array = np.ones(1)
        for section in sections:
            numerator, denominator = section.analogue()
            top = np.asarray(np.polymul(top, numerator), dtype=np.float64)
            bottom = np.asarray(np.polymul(bottom, denominator), dtype=np.float64)
        scale = bottom[np.flatnonzero(bottom)[0]]
        space = signal.tf2ss(np.trim_zeros(top, "f") / scale, np.trim_zeros(bottom, "f") / scale)
        self.a, self.b, self.c, self.d = space

    def free_run(self, state: Array, seconds: float, points: int) -> Array:
        """Return C e^(At) x at equal steps from 0 to ``seconds``."""
        step = linalg.expm(self.a * seconds / (points - 1))
        out = np.empty(points)
        for i in range(points):
            out[i] = (self.c @ state).item()
            state = step @ state
        return out

    def square_wave(self, frequency_hz: float, points: int = 20_001) -> Array:
        """Return the upper half period of a +-1 square wave's steady-state output."""
        half_s = 0.5 / frequency_hz
        over = linalg.expm(self.a * half_s)
        unit = np.eye(len(self.a))
        rest = -np.linalg.solve(self.a, self.b)  # where +1 would lead in the end
        # x(T/2) = over (x0 - rest) + rest must be -x0
        start = np.linalg.solve(unit + over, (over - unit) @ rest)
        level = (self.c @ rest + self.d).item()
        return np.asarray(level + self.free_run(start - rest, half_s, points))

    def step(self, seconds: float, points: int = 20_001) -> Array:
        """Return the response to a step at 0."""
        rest = -np.linalg.solve(self.a, self.b)
        return np.asarray((self.c @ rest + self.d).item() + self.free_run(-rest, seconds, points))

    def worst_case(self, seconds: float, points: int = 20_001) -> float:
        """Return the L1 norm of the impulse response: the highest peak for any +-1 input."""
        response = np.abs(self.free_run(self.b, seconds, points))  # D is the impulse itself
        return float(abs(self.d.item()) + np.trapezoid(response, dx=seconds / (points - 1)))


@pytest.mark.parametrize(
    ("ratio", "peak", "tilt_pct"),
    [(0.01, 1.0157, 3.141), (0.1, 1.15580, 31.16), (0.2, 1.3042, 60.84), (1.0, 1.9172, 183.4)],
)
def test_square_wave_after_one_coupling_capacitor(
    ratio: float, peak: float, tilt_pct: float
) -> None:
    """Peak 1 + tanh(x/2), end of the flat 1 - tanh(x/2), x = pi fc / f; tilt 2 tanh(x/2)."""
    closed = math.tanh(math.pi * ratio / 2)
    assert 1 + closed == pytest.approx(peak, abs=5e-5)
    flat = Circuit(cascade("highpass", 100.0 * ratio, FIRST)).square_wave(100.0)
    assert flat[0] == pytest.approx(1 + closed, rel=1e-9)
    assert flat[-1] == pytest.approx(1 - closed, rel=1e-9)
    assert 100 * (flat[0] - flat[-1]) == pytest.approx(tilt_pct, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "qs", "peaks"),
    [
        ("two equal", TWO_EQUAL, [1.0314, 1.0628, 1.1564, 1.3091, 1.5893]),
        ("three equal", THREE_EQUAL, [1.0471, 1.0941, 1.2340, 1.4586, 1.8471]),
        ("Butterworth 2", butterworth(2), [1.0222, 1.0444, 1.1111, 1.2221, 1.4437]),
        ("Butterworth 3", butterworth(3), [1.0314, 1.0628, 1.1569, 1.3129, 1.6180]),
    ],
)
def test_square_wave_after_several_high_passes(
    name: str, qs: Sequence[float | None], peaks: list[float]
) -> None:
    """Each corner adds its tilt; worked numbers for fc/f of 0.01 to 0.2."""
    for ratio, peak in zip((0.01, 0.02, 0.05, 0.1, 0.2), peaks, strict=True):
        flat = Circuit(cascade("highpass", 100.0 * ratio, qs)).square_wave(100.0)
        assert np.abs(flat).max() == pytest.approx(peak, abs=1e-4), name


def test_undershoot_of_a_second_order_high_pass() -> None:
    """Butterworth step response: -e^(-pi/2) = -20.788 % at t = 0.35355 / fc."""
    circuit = Circuit(cascade("highpass", 40.0, butterworth(2)))
    step = circuit.step(1 / 40.0)
    assert step[0] == pytest.approx(1.0)
    assert step.min() == pytest.approx(-math.exp(-math.pi / 2), abs=1e-6)
    assert np.argmin(step) / 20_000 == pytest.approx(0.35355, rel=1e-3)


@pytest.mark.parametrize(
    ("qs", "worst"),
    [
        (FIRST, 2.0),
        (TWO_EQUAL, 2 + 2 * math.exp(-2)),
        (THREE_EQUAL, 2.4601),
        (butterworth(2), 2.4345),
        (butterworth(3), 2.8469),
    ],
)
def test_worst_case_of_high_passes(qs: Sequence[float | None], worst: float) -> None:
    """L1 norm of the impulse response: 2 for one pole, whatever its corner."""
    for corner_hz in (15.0, 80.0):
        circuit = Circuit(cascade("highpass", corner_hz, qs))
        assert circuit.worst_case(5.0 / corner_hz) == pytest.approx(worst, abs=2e-4)


@pytest.mark.parametrize(
    ("order", "worst"),
    [(2, 1.0903), (3, 1.198), (4, 1.2989), (5, 1.392), (6, 1.4783), (8, 1.6348)],
)
def test_worst_case_of_low_passes(order: int, worst: float) -> None:
    """L1 norm of Butterworth low-passes."""
    circuit = Circuit(cascade("lowpass", 1.0, butterworth(order)))
    assert circuit.worst_case(20.0) == pytest.approx(worst, abs=2e-4)


@pytest.mark.parametrize(
    ("order", "overshoot_pct"),
    [(2, 4.321), (3, 8.147), (4, 10.830), (5, 12.777), (6, 14.251), (8, 16.344)],
)
def test_step_overshoot_of_low_passes(order: int, overshoot_pct: float) -> None:
    """Butterworth; for two poles e^-pi."""
    step = Circuit(cascade("lowpass", 1.0, butterworth(order))).step(8.0)
    assert 100 * (step.max() - 1) == pytest.approx(overshoot_pct, abs=5e-4)
    if order == 2:
        assert step.max() - 1 == pytest.approx(math.exp(-math.pi), abs=1e-6)


@pytest.mark.parametrize(("duty", "up", "down"), [(0.75, 0.5, -1.5), (0.25, 1.5, -0.5)])
def test_coupling_moves_the_baseline_of_an_asymmetric_wave(
    duty: float, up: float, down: float
) -> None:
    """A +-1 rectangle of duty d loses its mean: +2(1 - d), -2d.

    Through the simulated path, which is told a 1 Hz corner; read in the middle of the flats.
    """
    period = 480
    t = np.arange(20 * 48_000)
    wave = np.where(t % period < duty * period, 1.0, -1.0)
    antenna = Antenna(Path(name="capacitor", sections=tuple(cascade("highpass", 1.0, FIRST))))
    out = np.concatenate([antenna.process(wave), antenna.finish()])[-4800 * 2 : -4800]
    phase = t[-4800 * 2 : -4800] % period
    high = out[phase == round(duty * period / 2)]
    low = out[phase == round((1 + duty) * period / 2)]
    np.testing.assert_allclose(high, up, atol=2e-3)
    np.testing.assert_allclose(low, down, atol=2e-3)


@pytest.mark.parametrize(("ratio", "lead_deg"), [(10.0, 5.711), (5.0, 11.31), (100.0, 0.573)])
def test_phase_lead_of_a_coupling_capacitor(ratio: float, lead_deg: float) -> None:
    """atan(fc / f), the cause of it all, far above the corner where the gain is flat."""
    response = analogue_response(cascade("highpass", 20.0, FIRST), np.array([20.0 * ratio]))[0]
    assert math.degrees(np.angle(response)) == pytest.approx(lead_deg, abs=5e-3)


@pytest.mark.parametrize("order", [1, 2, 3, 4, 5, 8])
@pytest.mark.parametrize("kind", ["highpass", "lowpass"])
def test_passes_are_scipys_butterworth(kind: str, order: int) -> None:
    """scipy.signal.butter(analog=True) and freqs, magnitude and phase."""
    frequency_hz = np.geomspace(1.0, 24_000.0, 300)
    b, a = signal.butter(order, 2 * np.pi * 300.0, kind, analog=True)
    _, expected = signal.freqs(b, a, 2 * np.pi * frequency_hz)
    found = analogue_response(cascade(kind, 300.0, butterworth(order)), frequency_hz)
    np.testing.assert_allclose(found, expected, atol=1e-9)
    if kind == "lowpass":  # 10 lg(1 + 4^n) an octave above the corner
        an_octave_up = analogue_response(
            cascade(kind, 300.0, butterworth(order)), np.array([600.0])
        )
        loss_db = -20 * np.log10(np.abs(an_octave_up[0]))
        assert loss_db == pytest.approx(10 * math.log10(1 + 4**order), abs=1e-9)


def gain_db(section: Section, frequency_hz: float) -> float:
    return float(20 * np.log10(np.abs(analogue_response([section], np.array([frequency_hz]))[0])))


@pytest.mark.parametrize("gain", [-12.0, -3.0, 1.5, 6.0])
@pytest.mark.parametrize("q", [0.5, 0.8, 3.0])
def test_peak_gain_and_width(gain: float, q: float) -> None:
    """R. Bristow-Johnson's cookbook: full gain at the centre, half of its dB at a width f0/Q."""
    peak = Section(kind="peak", centre_hz=900.0, gain_db=gain, q=q)
    half_width = 1 / (2 * q)
    upper = 900.0 * (math.hypot(1.0, half_width) + half_width)
    lower = 900.0 * (math.hypot(1.0, half_width) - half_width)
    assert upper - lower == pytest.approx(900.0 / q)
    assert gain_db(peak, 900.0) == pytest.approx(gain, abs=1e-9)
    assert gain_db(peak, upper) == pytest.approx(gain / 2, abs=1e-9)
    assert gain_db(peak, lower) == pytest.approx(gain / 2, abs=1e-9)
    assert gain_db(peak, 0.01) == pytest.approx(0.0, abs=1e-6)
    assert gain_db(peak, 1e8) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("gain", [-9.0, 4.0])
@pytest.mark.parametrize("q", [None, 0.5, 1.0])
def test_shelf_levels(gain: float, q: float | None) -> None:
    """R. Bristow-Johnson's cookbook: the shelf's gain far out, half of its dB at the corner."""
    low = Section(kind="lowshelf", corner_hz=400.0, gain_db=gain, q=q)
    high = Section(kind="highshelf", corner_hz=400.0, gain_db=gain, q=q)
    for shelf, far, near in ((low, 0.01, 1e8), (high, 1e8, 0.01)):
        assert gain_db(shelf, far) == pytest.approx(gain, abs=1e-6)
        assert gain_db(shelf, near) == pytest.approx(0.0, abs=1e-6)
        assert gain_db(shelf, 400.0) == pytest.approx(gain / 2, abs=1e-9)
