"""A detector's voltage turned back into the envelope, against closed forms."""

import numpy as np
import pytest
from scipy import signal

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.detector_height import find_height
from carrierfloor.dsp.detector_inverse import DetectorInverse, DetectorModel
from carrierfloor.dsp.detector_sight import DetectorSight
from carrierfloor.dsp.stored_signal import StoredArray
from tests.clips import Array, sound

RATE_HZ = 48_000


def tone(m: float, frequency_hz: float = 1000.0, seconds: float = 0.5) -> Array:
    t = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.asarray(np.maximum(0.0, 1.0 - m * np.cos(2 * np.pi * frequency_hz * t)))


def charged(envelope: Array, rc_s: float) -> Array:
    """An ideal diode and a capacitor, sample by sample at eight times the rate."""
    fine = signal.resample_poly(envelope, 8, 1, padtype="line")
    keeps, held = np.exp(-1.0 / (8 * RATE_HZ * rc_s)), 0.0
    voltage = np.empty(len(fine))
    for k, e in enumerate(fine):
        held = max(float(e), held * keeps)
        voltage[k] = held
    return voltage[::8]


def undone(model: DetectorModel, recorded: Array, cut: int = 10_000) -> Array:
    inverse = DetectorInverse(model)
    parts = [inverse.process(recorded[k : k + cut])[0] for k in range(0, len(recorded), cut)]
    return np.concatenate([*parts, inverse.finish()[0]])


@pytest.mark.parametrize("knee", [0.02, 0.1, 0.3])
def test_knee_is_taken_out(knee: float) -> None:
    """d = sqrt(e^2 + k^2) - k, e = sqrt(d^2 + 2 d k)."""
    envelope = tone(1.2)
    detected = np.hypot(envelope, knee) - knee
    carrier = np.hypot(1.0, knee) - knee
    model = DetectorModel(carrier=0.3, at_rest=0.3, knee=knee)
    back = undone(model, 0.3 * detected / carrier)
    np.testing.assert_allclose(back, envelope, atol=1e-7)


def test_inverted_and_coupled() -> None:
    """A first-order high-pass of 8 Hz made by scipy, on an envelope with a slow part."""
    t = np.arange(3 * RATE_HZ) / RATE_HZ
    envelope = 1.0 + 0.4 * np.sin(2 * np.pi * 300.0 * t) + 0.3 * np.sin(2 * np.pi * 5.0 * t)
    top, bottom = signal.butter(1, 8.0, "highpass", fs=RATE_HZ)
    coupled = -0.2 * signal.lfilter(top, bottom, envelope - 1.0)
    back = undone(DetectorModel(carrier=-0.2, coupling_hz=8.0), coupled)
    assert np.abs(back - envelope)[RATE_HZ:].max() < 0.04  # the leak's phase at 5 Hz
    assert np.abs(1.0 + coupled / -0.2 - envelope)[RATE_HZ:].max() > 0.2


@pytest.mark.parametrize(("m", "rc_s"), [(0.8, 2e-4), (0.9, 1e-4), (0.6, 3e-4)])
def test_hidden_trough_lies_between_its_bounds(m: float, rc_s: float) -> None:
    """Terman: a sine escapes while w RC <= sqrt(1 - m^2) / m; none of these do."""
    assert 2 * np.pi * 1000.0 * rc_s > np.sqrt(1 - m * m) / m
    inverse = DetectorInverse(DetectorModel(carrier=1.0, at_rest=1.0, rc_s=rc_s))
    voltage = charged(tone(m), rc_s)
    envelope, hidden = inverse.process(voltage)
    rest, hidden_rest = inverse.finish()
    envelope, hidden = np.concatenate([envelope, rest]), np.concatenate([hidden, hidden_rest])
    assert inverse.hidden_troughs == pytest.approx(500, abs=2)
    assert inverse.hidden_bottom <= 1.0 - m + 0.003 <= voltage[100:].min() + 0.003
    true = tone(m)
    assert np.abs(envelope - true)[~hidden][100:-100].max() < 0.02
    raw = np.abs(voltage - true)[hidden][20:-20].max()
    assert np.abs(envelope - true)[hidden][20:-20].max() < raw


def test_slow_troughs_are_not_hidden() -> None:
    inverse = DetectorInverse(DetectorModel(carrier=1.0, at_rest=1.0, rc_s=5e-5))
    inverse.process(charged(tone(0.6, 400.0), 5e-5))
    inverse.finish()
    assert inverse.hidden_troughs == 0
    assert inverse.hidden_bottom == 1.0


@pytest.mark.parametrize("cut", [1, 777, 5000])
def test_cutting_the_stream_changes_nothing(cut: int) -> None:
    model = DetectorModel(carrier=0.5, knee=0.05, rc_s=2e-4, coupling_hz=3.0)
    voltage = 0.5 * (charged(tone(0.9, 700.0, 0.2 if cut == 1 else 0.5), 2e-4) - 1.0)
    np.testing.assert_allclose(undone(model, voltage, cut), undone(model, voltage, 10**6), 0, 1e-12)


def test_height_by_dc() -> None:
    found = find_height(StoredArray(-0.25 * tone(0.8, 300.0, 2.0)))
    assert found is not None
    assert found.by == "DC"
    assert found.carrier == pytest.approx(-0.25, abs=2e-3)


@pytest.mark.parametrize("inverted", [False, True])
def test_height_by_flat_troughs(inverted: bool) -> None:
    """A tone of 130 % cut off: zero lies one carrier below rest, whatever the knee."""
    wave = tone(1.3, 400.0, 1.0) - 1.0
    found = find_height(StoredArray((-0.2 if inverted else 0.2) * wave), inverted=inverted)
    assert found is not None
    assert found.by == "flat troughs"
    assert found.carrier == pytest.approx(-0.2 if inverted else 0.2, rel=0.01)


@pytest.mark.parametrize("clip", ["sibilants_female_fast", "evening_round_male"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_flat_troughs_of_plain_speech_are_no_floor(clip: str, sign: float) -> None:
    """They have all depths, and round ones go deeper."""
    assert find_height(StoredArray(sign * sound(clip))) is None


@pytest.mark.parametrize("clip", ["calm_then_shout_male", "evening_round_female"])
def test_the_flat_troughs_of_limited_speech_are_no_floor(clip: str) -> None:
    """Clipped, then limited: others go a little deeper than the flat ones."""
    chain = Chain(presets.voice(), presets.rig())
    limited = chain.process(sound(clip))[: 8 * RATE_HZ]
    assert find_height(StoredArray(limited)) is None


def test_no_height_where_nothing_tells_it() -> None:
    """Round troughs look the same at every height of the carrier."""
    assert find_height(StoredArray(0.2 * (tone(0.95, 400.0, 1.0) - 1.0))) is None


def test_sight_ends_at_the_knee_or_at_the_error_of_zero() -> None:
    def sight(knee: float, carrier_error: float, *, known: bool = True) -> DetectorSight:
        return DetectorSight(
            model=DetectorModel(carrier=1.0, knee=knee),
            knee_error=0.01,
            carrier_error=carrier_error,
            knows_knee=known,
            knows_rc=True,
        )

    assert sight(0.1, 0.001).lowest == pytest.approx(0.11)
    assert sight(0.01, 0.05).lowest > 0.1
    assert sight(0.0, 0.001, known=False).lowest == pytest.approx(0.15)
    low, high = sight(0.1, 0.005).bounds(0.2)
    assert 0.17 < low < 0.2 < high < 0.23
