"""Mild distortion found from harmonics; they are computed here from bent sines, by samples."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from carrierfloor.dsp.bend import Bend, find_bends
from carrierfloor.dsp.path import Path
from carrierfloor.dsp.path_fit import fit_path
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.sweep_response import Harmonic
from tests import measured
from tests.reference import transmitter as simulated
from tests.reference.capture import Capture
from tests.reference.transmitter import Transmitter

Array = NDArray[np.float64]

DEPTH = 0.5
COUNT = 64  # samples of a period
PARTS = {  # as sections, and by scipy
    "bottom": (
        Section(kind="highpass", corner_hz=60.0, q=0.5**0.5),
        signal.butter(2, 2 * np.pi * 60.0, "highpass", analog=True),
    ),
    "middle": (
        Section(kind="lowpass", corner_hz=1500.0),
        signal.butter(1, 2 * np.pi * 1500.0, "lowpass", analog=True),
    ),
    "top": (
        Section(kind="lowpass", corner_hz=5000.0, q=0.5**0.5),
        signal.butter(2, 2 * np.pi * 5000.0, "lowpass", analog=True),
    ),
}
PATH = Path(name="all", sections=tuple(section for section, _ in PARTS.values()))


def gain(names: list[str], frequency_hz: float) -> complex:
    """Return what some of the parts make of a frequency; each is 1 at 1 kHz."""
    product = 1.0 + 0.0j
    for name in names:
        at = signal.freqs(*PARTS[name][1], 2 * np.pi * np.array([frequency_hz, 1000.0]))[1]
        product *= at[0] / abs(at[1])
    return product


def harmonics(
    before: list[str],
    coefficients: dict[int, float],
    *,
    side: float = 1.0,
    noise: float = 0.0,
) -> tuple[Harmonic, ...]:
    """Bend sines of a twelfth of an octave apart between parts, and take their lines apart."""
    behind = [name for name in PARTS if name not in before]
    grid = np.geomspace(40.0, 3000.0, 76)
    random = np.random.default_rng(5)
    p = 2 * np.pi * np.arange(COUNT) / COUNT
    lines = []
    for f in grid:
        size = DEPTH * gain(before, f)
        u = abs(size) * np.sin(p + np.angle(size))
        v = u + sum(a * u**order for order, a in coefficients.items())
        bins = np.fft.rfft(v) / (COUNT / 2)
        lines.append([side * bins[k] * gain(behind, k * f) for k in range(1, 6)])
    found = np.array(lines)
    # With the fundamental at sin(p): harmonic k is magnitude * sin(k p + phase).
    turned = 1j * found * np.exp(-1j * np.outer(np.angle(1j * found[:, 0]), np.arange(1, 6)))
    scatter = random.standard_normal((2, *turned.shape)) * noise / np.sqrt(2.0)
    ratio = turned / np.abs(turned[:, :1]) + scatter[0] + 1j * scatter[1]
    return tuple(
        Harmonic(order=k, frequency_hz=grid, ratio=ratio[:, k - 1], noise=np.full(len(grid), noise))
        for k in range(2, 6)
    )


def found_in(lines: tuple[Harmonic, ...], *, depth: float = DEPTH, sign: float = 1.0) -> list[Bend]:
    response = measured.seen(PATH.response, harmonics=lines)
    return list(find_bends(PATH, response, depth, sign).likely)


@pytest.mark.parametrize("order", [2, 3])
def test_bent_sine_has_the_harmonics_of_the_textbook(order: int) -> None:
    """sin^2 p = (1 - cos 2p) / 2 and sin^3 p = (3 sin p - sin 3p) / 4."""
    a, d = 0.04, 0.7
    bend = Bend(Path(name=""), Path(name=""), *((a, 0.0) if order == 2 else (0.0, a)), 0.0)
    p = 2 * np.pi * np.arange(COUNT) / COUNT
    expected = {
        2: d * np.sin(p) + a * d**2 * (1 - np.cos(2 * p)) / 2,
        3: d * np.sin(p) + a * d**3 * (3 * np.sin(p) - np.sin(3 * p)) / 4,
    }
    np.testing.assert_allclose(bend.apply(d * np.sin(p)), expected[order], atol=1e-15)


@pytest.mark.parametrize("before", [[], ["bottom"], ["middle", "top"], ["bottom", "middle", "top"]])
@pytest.mark.parametrize(("second", "third"), [(0.04, -0.03), (-0.02, 0.05)])
def test_finds_coefficients_and_place(before: list[str], second: float, third: float) -> None:
    """The best choice is the true one, whatever lies before the bend."""
    best = found_in(harmonics(before, {2: second, 3: third}, noise=3e-4))[0]
    assert set(best.before.sections) == {PARTS[name][0] for name in before}
    assert set(best.behind.sections) == set(PATH.sections) - set(best.before.sections)
    # A third-order bend also changes the fundamental that the harmonics are measured against.
    near = 3.0 / 4.0 * abs(third) * DEPTH**2 * 1.5
    assert best.second == pytest.approx(second, rel=near + 0.01)
    assert best.third == pytest.approx(third, rel=near + 0.02)


def test_capture_upside_down_turns_second_order_only() -> None:
    """The operator says which way the detector works; third order is the same either way."""
    lines = harmonics(["bottom"], {2: 0.04, 3: 0.03}, side=-1.0)
    told, untold = found_in(lines, sign=-1.0)[0], found_in(lines, sign=1.0)[0]
    assert told.second == pytest.approx(0.04, rel=0.02)
    assert untold.second == pytest.approx(-0.04, rel=0.02)
    assert told.third == pytest.approx(0.03, rel=0.02)
    assert untold.third == pytest.approx(0.03, rel=0.02)


def test_coefficients_scale_with_the_depth_that_is_believed() -> None:
    """Half the depth for the same harmonics: twice a2, four times a3."""
    lines = harmonics(["bottom"], {2: 0.02, 3: 0.02})
    whole, half = found_in(lines)[0], found_in(lines, depth=DEPTH / 2)[0]
    assert half.second == pytest.approx(2 * whole.second, rel=1e-9)
    assert half.third == pytest.approx(4 * whole.third, rel=1e-9)


def test_noise_is_no_distortion() -> None:
    """Of harmonics that are noise, however large, nothing is believed and nothing left over."""
    for noise in (3e-4, 3e-2):
        response = measured.seen(PATH.response, harmonics=harmonics([], {}, noise=noise))
        bends = find_bends(PATH, response, DEPTH, 1.0)
        assert {(one.second, one.third) for one in bends.likely} == {(0.0, 0.0)}
        assert [left for _, left in bends.unexplained] == [0.0] * 4


def test_what_no_cubic_explains_is_left_over() -> None:
    """a x^4 of a sine of depth d has a fourth harmonic of a d^3 / 8: (3 - 4 cos 2p + cos 4p) / 8.

    Without a path before it or behind it, so that the ratio is the same everywhere.
    """
    flat, grid = Path(name="flat"), np.geomspace(40.0, 3000.0, 76)
    p = 2 * np.pi * np.arange(COUNT) / COUNT
    bins = np.fft.rfft(DEPTH * np.sin(p) + 0.5 * (DEPTH * np.sin(p)) ** 4) / (COUNT / 2)
    lines = tuple(
        Harmonic(
            order=k,
            frequency_hz=grid,
            ratio=np.full(len(grid), 1j * bins[k] / DEPTH),
            noise=np.full(len(grid), 1e-5),
        )
        for k in (2, 4)
    )
    bends = find_bends(flat, measured.seen(flat.response, harmonics=lines), DEPTH, 1.0)
    left = dict(bends.unexplained)
    assert left[4] == pytest.approx(0.5 * DEPTH**3 / 8, rel=0.01)
    assert left[2] == 0.0  # a2 explains it: at this depth a x^4 has one of a d^3 / 2
    assert bends.likely[0].second * DEPTH / 2 == pytest.approx(0.5 * DEPTH**3 / 2, rel=0.01)


def test_a_simulated_transmitter_bent_between_its_sections() -> None:
    """From the capture: 2 % and -1 % at 100 % are a2 = 0.04 and a3 = -0.04."""
    bent = Transmitter(
        (measured.HIGH_PASS, simulated.Bend(second=0.02, third=-0.01), measured.LOW_PASS)
    )
    response = measured.response_of(bent, Capture(peak=-0.5))
    fit = fit_path(response, "bent")
    best = find_bends(fit.path, response, measured.DEPTH, -1.0).likely[0]
    assert [one.kind for one in best.before.sections] == ["highpass"]
    assert best.second == pytest.approx(0.04, rel=0.05)
    assert best.third == pytest.approx(-0.04, rel=0.05)
