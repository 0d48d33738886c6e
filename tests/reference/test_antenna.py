"""The judge is judged first: closed forms and scipy's analogue filters."""

import math

import numpy as np
import pytest
from scipy import signal

from tests.reference import antenna, nasty

RATE_HZ = 48_000


def faded_tone(
    frequency_hz: float,
    length_s: float = 1.0,
    level: float = 1.0,
    phase: float = 0.0,
    rate_hz: float = RATE_HZ,
) -> antenna.Array:
    n = round(length_s * rate_hz)
    tone = level * np.sin(2 * np.pi * frequency_hz * np.arange(n) / rate_hz + phase)
    return np.asarray(tone * signal.windows.tukey(n, 0.5))


@pytest.mark.parametrize("corner_hz", [20.0, 100.0, 400.0])
def test_tone_through_first_order_highpass(corner_hz: float) -> None:
    """|H| = (f/fc) / sqrt(1 + (f/fc)^2), over the same at 1 kHz."""
    gain = [f / math.hypot(f, corner_hz) for f in (150.0, 1000.0)]
    path = [{"kind": "highpass", "corner_hz": corner_hz}]
    verdict = antenna.judge(faded_tone(150.0, level=0.5), RATE_HZ, 1.0, path)
    assert verdict.trough == pytest.approx(0.5 * gain[0] / gain[1], rel=2e-5)
    assert verdict.crest == pytest.approx(0.5 * gain[0] / gain[1], rel=2e-5)
    assert verdict.cutoffs == 0


def test_step_through_butterworth_highpass() -> None:
    """A step through a second-order Butterworth high-pass undershoots by exp(-pi/2)."""
    edge = 0.25 * (1 - np.cos(np.linspace(0, np.pi, 16)))  # 0.3 ms, symmetric: no ringing
    fall = 0.25 * (1 + np.cos(np.linspace(0, np.pi, 480_000)))
    step = np.concatenate((edge, np.full(6000, 0.5), fall))
    path = [{"kind": "highpass", "corner_hz": 40.0, "q": math.sqrt(0.5)}]
    verdict = antenna.judge(step, RATE_HZ, 1.0, path)
    assert verdict.trough == pytest.approx(0.5 * math.exp(-math.pi / 2), rel=2e-4)


def test_square_through_first_order_highpass() -> None:
    """Steady state: a +-1 square jumps to 1 + tanh(pi fc / 2 f), then falls with 1 / (2 pi fc)."""
    fundamental_hz, corner_hz = 100.0, 10.0
    t = np.arange(RATE_HZ) / RATE_HZ
    sines = np.zeros_like(t)
    for n in range(1, 190, 2):  # rounded off towards 19 kHz (Lanczos), so without Gibbs' ears
        sines += 4 / np.pi / n * np.sin(2 * np.pi * n * fundamental_hz * t) * np.sinc(n / 190)
    path = [{"kind": "highpass", "corner_hz": corner_hz}]
    wave = antenna.modulation(sines, RATE_HZ, 1.0, path, oversampling=4)
    half = round(4 * RATE_HZ / fundamental_hz / 2)
    start = 4 * RATE_HZ // 2 + 90 * 2 * half  # pad, then 90 periods to settle
    tau_s = 1 / (2 * np.pi * corner_hz)
    x = np.pi * corner_hz / fundamental_hz
    for part in (0.1, 0.5, 0.9):
        expected = (1 + math.tanh(x / 2)) * math.exp(-part * 0.005 / tau_s)
        assert wave[start + round(part * half)] == pytest.approx(expected, abs=2e-3)


@pytest.mark.parametrize(
    ("row", "scipy_filter"),
    [
        ({"kind": "highpass", "corner_hz": 40.0}, (1, 40.0, "highpass")),
        ({"kind": "lowpass", "corner_hz": 6000.0}, (1, 6000.0, "lowpass")),
        ({"kind": "highpass", "corner_hz": 80.0, "q": math.sqrt(0.5)}, (2, 80.0, "highpass")),
        ({"kind": "lowpass", "corner_hz": 5000.0, "q": math.sqrt(0.5)}, (2, 5000.0, "lowpass")),
    ],
)
def test_passes_equal_scipy_butterworth(
    row: antenna.SectionRow, scipy_filter: tuple[int, float, str]
) -> None:
    """scipy.signal.butter(analog=True), scaled to 1 at 1 kHz."""
    order, corner_hz, kind = scipy_filter
    b, a = signal.butter(order, 2 * np.pi * corner_hz, kind, analog=True)
    f = np.geomspace(5, 20_000, 200)
    _, expected = signal.freqs(b, a, 2 * np.pi * np.append(f, 1000.0))
    expected /= abs(expected[-1])
    np.testing.assert_allclose(antenna.response([row], f), expected[:-1], rtol=1e-9)


def test_resonant_pass_has_gain_q_at_its_corner() -> None:
    """A second-order high-pass or low-pass has |H| = Q at its corner."""
    for kind, corner in (("highpass", 40.0), ("lowpass", 5000.0)):
        row = {"kind": kind, "corner_hz": corner, "q": 1.7}
        at = np.abs(antenna.cascade([row], np.array([corner])))[0]
        assert at == pytest.approx(1.7)


@pytest.mark.parametrize("gain_db", [-9.0, 6.0])
def test_peak_and_shelves_have_their_gain(gain_db: float) -> None:
    """Peak: gain at the centre, 0 dB far off.  Shelf: half the decibels at the corner."""
    f = np.array([0.01, 1e3, 1e8])
    table = {"peak": (0.0, gain_db, 0.0), "lowshelf": (gain_db, gain_db / 2, 0.0)}
    table["highshelf"] = (0.0, gain_db / 2, gain_db)
    for kind, expected_db in table.items():
        key = "centre_hz" if kind == "peak" else "corner_hz"
        row = {"kind": kind, key: 1e3, "gain_db": gain_db, "q": 0.9}
        got_db = 20 * np.log10(np.abs(antenna.cascade([row], f)))
        np.testing.assert_allclose(got_db, expected_db, atol=1e-3)


def test_path_has_unity_gain_at_1_khz() -> None:
    for paths in nasty.PATHS.values():
        for path in paths:
            at = antenna.response(path, np.array([1000.0]))
            assert abs(at[0]) == pytest.approx(1.0, abs=1e-12)


def test_finds_the_peak_between_samples() -> None:
    """A quarter-rate tone sampled at 45 degrees shows 0.707 of its peak (EBU Tech 3341 case 16)."""
    tone = faded_tone(12_000.0, level=0.8, phase=math.pi / 4)
    assert np.abs(tone).max() == pytest.approx(0.8 / math.sqrt(2), rel=1e-3)
    assert antenna.judge(tone, RATE_HZ, 1.0, []).crest == pytest.approx(0.8, rel=1e-3)


def test_level_and_polarity() -> None:
    """-6 dBFS for 100 %, inverted: a sample of -0.25 is a crest of 0.25 / 0.5012."""
    samples = np.zeros(4800)
    samples[1000:3000] = -0.25 * signal.windows.hann(2000)
    verdict = antenna.judge(samples, RATE_HZ, -(10 ** (-6 / 20)), [])
    assert verdict.crest == pytest.approx(0.25 / 10 ** (-6 / 20), rel=1e-4)
    assert verdict.trough < 1e-3


def test_sees_what_rings_on_after_the_file() -> None:
    """A file that ends in the middle of a sound is a step that a 15 Hz path answers later."""
    constant = np.full(48_000, 0.9) * np.minimum(1.0, np.arange(48_000) / 40_000)
    path = [{"kind": "highpass", "corner_hz": 15.0, "q": 0.7}]
    inside = antenna.modulation(constant, RATE_HZ, 1.0, path, 1)[24_000 : 24_000 + 48_000]
    assert -inside[:-50].min() < 0.05
    assert antenna.judge(constant, RATE_HZ, 1.0, path).trough > 0.8


# A tone of index m through e = max(0, 1 + m cos): Fourier coefficients
# a_n = (2/pi) integral from 0 to theta of (1 + m cos x) cos nx dx, theta = arccos(-1/m).
def sideband_dbc(m: float, n: int) -> float:
    theta = math.acos(-1 / m)
    x = np.linspace(0, theta, 20_001)
    y = (1 + m * np.cos(x)) * np.cos(n * x)
    return 20 * math.log10(abs(float(np.trapezoid(y, x))) / math.pi)


@pytest.mark.parametrize(("m", "second_dbc"), [(1.05, -50.0), (1.25, -30.9), (2.0, -17.2)])
def test_emission_of_an_overmodulated_tone(m: float, second_dbc: float) -> None:
    """Sidebands at 2f, 3f, ... are a_n / 2 of the carrier; both sides together are 3 dB more."""
    assert sideband_dbc(m, 2) == pytest.approx(second_dbc, abs=0.06)
    f, length_s = 1000.0, 1.0
    tone = m * np.cos(2 * np.pi * f * np.arange(RATE_HZ) / RATE_HZ)
    got = antenna.emission_dbc(tone, RATE_HZ, 1.5 * f, length_s)
    total = sum(10 ** (sideband_dbc(m, n) / 10) for n in range(2, 24))
    assert got == pytest.approx(10 * math.log10(2 * total), abs=0.1)
    assert antenna.emission_dbc(0.9 / m * tone, RATE_HZ, 1.5 * f, length_s) < -200


def test_counts_cutoffs() -> None:
    """m = 1.05 shuts the carrier off once a cycle, for arccos(1/m)/pi of the time."""
    n = RATE_HZ * 2
    tone = 1.05 * np.sin(2 * np.pi * 100 * np.arange(n) / RATE_HZ)
    window = np.clip(np.minimum(np.arange(n), n - np.arange(n)) / (RATE_HZ / 2), 0, 1)
    m = antenna.modulation(tone * window, RATE_HZ, 1.0, [])
    assert antenna.judge(tone * window, RATE_HZ, 1.0, []).cutoffs == pytest.approx(100, abs=6)
    middle = m[len(m) // 2 - 8 * 4800 : len(m) // 2 + 8 * 4800]
    assert np.mean(1 + middle <= 0) == pytest.approx(math.acos(1 / 1.05) / math.pi, abs=2e-3)


def test_refuses_what_is_not_finite() -> None:
    with pytest.raises(ValueError, match="finite"):
        antenna.judge(np.array([0.0, np.nan]), RATE_HZ, 1.0, [])


def test_same_answer_at_any_rate() -> None:
    """The same band-limited sound at 16 kHz and 192 kHz has the same peaks."""
    path = nasty.PATHS["second-order 40 Hz and 7 kHz"][0]
    verdicts = []
    for rate_hz in (16_000, 48_000, 192_000):
        tone = faded_tone(150, 0.5, 0.4, 0.3, rate_hz) + faded_tone(2700, 0.5, 0.3, 1.0, rate_hz)
        verdicts.append(antenna.judge(tone, rate_hz, 1.0, path))
    for verdict in verdicts[1:]:
        assert verdict.trough == pytest.approx(verdicts[0].trough, abs=1e-4)
        assert verdict.crest == pytest.approx(verdicts[0].crest, abs=1e-4)
