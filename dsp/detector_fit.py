"""A detector's knee, time constant and coupling, and the carrier's height, from a known sound.

What the sound card played goes through the transmitter's path and a simulated detector, whose
settings are changed until what comes out is what was recorded (least squares).  A knee shows at
the bottom of deep troughs, a time constant in fast ones, a coupling in slow ones.  Two look alike
and cannot be told apart: a diode that rounds the bottom of the trough, and a modulator that does.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from carrierfloor.dsp.detector_inverse import DetectorModel
from carrierfloor.dsp.errors import AudioError
from carrierfloor.dsp.interpolation import FACTOR, FINE_RATE_HZ, Interpolator
from carrierfloor.dsp.simulated_detector import DetectorDesign, SimulatedDetector
from carrierfloor.dsp.stage import SAMPLE_RATE_HZ, Block
from carrierfloor.dsp.stored_signal import Stored
from carrierfloor.dsp.time_map import TimeMap

PIECES = 6  # of the recording that are compared
PIECE = 14_400  # samples, 0.3 s
LEAD = 14_400  # before it, for the detector to forget how it began
ACTIVE = 0.3  # of the deepest trough: pieces with less say little
LOW_PASS_HZ = 12_000.0  # what is compared: no sound card's own filter reaches down there
SLOWEST_HZ = 15.0  # and up from here
TAPS = 63
FINE_TAPS = 65  # whatever is below 12 kHz passes, what folds onto it does not
EDGE = 48  # samples around a piece, for the filters
DEEP_ENOUGH = 0.5  # modulation: less tells nothing of a knee
CUT_OFF = 1.03  # modulation that surely reaches cut-off
LEAST_ALIKE = 0.97  # part of the power that must be explained
RC_STARTS_MS = (0.005, 0.03, 0.1, 0.3, 1.0)
SHOWS_MS = 0.05  # a shorter time constant does not, in most voices
KNEE_START_PCT, COUPLING_START_HZ = 4.0, 3.0
# Knee in %, time constant in ms, coupling in Hz, level.
LOWEST, HIGHEST = (0.0, 0.0, 0.0, 0.7), (60.0, 20.0, 60.0, 1.4)
LEVEL_STEPS = 2  # until a level that was wrong by 10 % is right within 0.1 %
SEEN = 9.0  # by how much chi squared must fall for a time constant: three standard deviations
TELLING_NOTHING = 20.0  # neighbouring errors are alike: so many samples count as one
LEAST_ERROR = 0.002  # of the carrier's height: never known better
LEVEL_ERROR = 0.012  # 0.1 dB: of the rig's level where nothing else gives the height


@dataclass(frozen=True, kw_only=True)
class DetectorFit:
    """A detector that was found, with errors (95 %)."""

    model: DetectorModel
    knee_error: float
    carrier_error: float  # a part of it
    level: float  # of the known sound: 1.0 as the rig says
    has_cutoff: bool  # the known sound should cut the carrier off; then its level is found, too
    explained: float  # part of the recorded power
    deepest: float  # modulation of the known sound in the pieces compared
    residual: float  # rms of what is not explained, 1.0 = unmodulated carrier
    has_dc: bool = False  # the recording itself tells the height


def fit_detector(
    recorded: Stored, expected: Stored, time_map: TimeMap, height: float | None = None
) -> DetectorFit:
    """Fit a detector to a recording of a known sound.

    Parameters
    ----------
    recorded : Stored
        The detector's voltage at 48 kHz.
    expected : Stored
        The modulation that the known sound makes, 1.0 = 100 %.
    time_map : TimeMap
        Where it is in the recording; its sign is that of the voltage.
    height : float, optional
        Of the carrier in the recording, where it is known: the level of the known sound is then
        found and not relied on.

    Raises
    ------
    AudioError
        If the sound is not deep enough, or no detector explains the recording.
    """
    comparison = _Comparison(recorded, expected, time_map)
    has_cutoff = comparison.deepest > CUT_OFF
    if comparison.deepest < DEEP_ENOUGH:
        raise AudioError(
            f"the known sound modulates {100.0 * comparison.deepest:.0f} % at most; at least "
            f"{100.0 * DEEP_ENOUGH:.0f} % is needed to see a detector's knee"
        )
    fit = _read(comparison, *_best(comparison, has_cutoff), has_cutoff)
    if height is None or has_cutoff:
        return fit
    for _ in range(LEVEL_STEPS):
        comparison.rescale(fit.model.carrier / height)
        fit = _read(comparison, *_best(comparison, has_cutoff, fit.model), has_cutoff)
    return replace(fit, level=comparison.level)


class _Comparison:
    """Pieces of the recording, and what a simulated detector makes of the known sound there."""

    def __init__(self, recorded: Stored, expected: Stored, time_map: TimeMap) -> None:
        from scipy import signal

        self._signal = signal
        self._taps = signal.firwin(TAPS, LOW_PASS_HZ, fs=SAMPLE_RATE_HZ)
        self._fine_taps = signal.firwin(FINE_TAPS, SAMPLE_RATE_HZ / 2, fs=FINE_RATE_HZ)
        self._high = signal.butter(1, SLOWEST_HZ, "highpass", fs=SAMPLE_RATE_HZ)
        starts = _starts(expected, time_map, recorded.samples)
        upright = TimeMap(time_map.offset, time_map.clock_ppm, 1.0, 1.0, 0.0)
        modulation, heard = [], []
        for start in starts:
            first, count = start - LEAD, LEAD + PIECE
            modulation.append(_fine(upright.take(expected, first - EDGE, count + 2 * EDGE)))
            heard.append(self._compared(time_map.sign * recorded.take(first, count)))
        self.modulation, self.level = modulation, 1.0
        self.heard = np.concatenate(heard)
        self.deepest = -min(float(piece.min()) for piece in modulation)
        self.samples = len(self.heard)

    def rescale(self, ratio: float) -> None:
        """Take the known sound for so much higher."""
        self.level *= ratio
        self.modulation = [ratio * piece for piece in self.modulation]
        self.deepest *= ratio

    def _compared(self, samples: Block) -> Block:
        """Return the band that is compared, without the lead-in."""
        filtered = self._signal.lfilter(*self._high, samples - samples[0])
        return np.asarray(self._signal.fftconvolve(filtered, self._taps, "same")[LEAD:-TAPS])

    def simulated(self, design: DetectorDesign, level: float) -> Block:
        """Return the same from a simulated detector, 1.0 = unmodulated carrier."""
        seen = []
        for piece in self.modulation:
            envelope = np.maximum(0.0, 1.0 + level * piece)
            voltage = SimulatedDetector(design, FINE_RATE_HZ).process(envelope)
            late = FINE_TAPS // 2 // FACTOR
            whole = self._signal.upfirdn(self._fine_taps, voltage, 1, FACTOR)
            seen.append(self._compared(whole[late + EDGE : late + EDGE + LEAD + PIECE]))
        return np.concatenate(seen)


def _starts(expected: Stored, time_map: TimeMap, samples: int) -> list[int]:
    """Choose the pieces: those with the deepest troughs, and others spread evenly."""
    first = max(LEAD, math.ceil(time_map.heard_at(0.0)))
    last = min(samples, math.floor(time_map.heard_at(expected.samples))) - PIECE
    if last < first:
        raise AudioError("too little of the known sound is in the recording (0.6 s at least)")
    starts = np.arange(first, last + 1, PIECE // 2)
    troughs = np.array(
        [-expected.take(round(float(time_map.sent_at(float(at)))), PIECE).min() for at in starts]
    )
    active = np.flatnonzero(troughs >= ACTIVE * troughs.max())
    order = active[np.argsort(-troughs[active], kind="stable")]
    chosen: list[int] = []
    spread = active[np.linspace(0, len(active) - 1, 2 * PIECES).round().astype(int)]
    for k in [*order[: PIECES // 2], *spread]:
        if len(chosen) < PIECES and all(abs(int(k) - other) > 1 for other in chosen):
            chosen.append(int(k))
    return [int(starts[k]) for k in chosen]


def _fine(samples: Block) -> Block:
    """Interpolate to 192 kHz, in step."""
    interpolator = Interpolator()
    delay = interpolator.delay_samples
    fine = interpolator.process(np.concatenate([samples, np.zeros(delay)]))
    return fine[delay * FACTOR :]


def _design(values: Sequence[float]) -> DetectorDesign:
    return DetectorDesign(
        knee_pct=min(max(float(values[0]), 0.0), 100.0),
        rc_ms=min(max(float(values[1]), 0.0), 100.0),
        coupling_hz=min(max(float(values[2]), 0.0), 500.0),
    )


def _rest(comparison: _Comparison, values: Sequence[float]) -> tuple[Block, float]:
    """Return what is not explained, and the scale that explains most.

    Place and coupling were found one without the other, so the place may be off by a part of a
    sample; a(t - d) = a(t) - d a'(t) takes that out by linear least squares.
    """
    level = values[3] if len(values) > 3 else 1.0
    seen = comparison.simulated(_design(values), level)
    both = np.stack([seen, np.gradient(seen)], axis=1)
    parts = np.linalg.lstsq(both.T @ both, both.T @ comparison.heard, rcond=None)[0]
    return comparison.heard - both @ parts, float(parts[0])


def _best(
    comparison: _Comparison, has_cutoff: bool, near: DetectorModel | None = None
) -> tuple[Block, Block]:
    """Return the best settings, and the error of each by the Jacobian (95 %)."""
    count = 4 if has_cutoff else 3
    knee_pct, coupling_hz, rcs_ms = KNEE_START_PCT, COUPLING_START_HZ, list(RC_STARTS_MS)
    if near is not None:
        knee_pct, coupling_hz = 100.0 * near.knee, near.coupling_hz
        rcs_ms.append(max(1000.0 * near.rc_s, RC_STARTS_MS[0]))
    starts = sorted(
        ([knee_pct, rc, coupling_hz, 1.0][:count] for rc in rcs_ms),
        key=lambda values: float(np.sum(np.square(_rest(comparison, values)[0]))),
    )
    # A short time constant hardly shows, and from there none is found: one that shows is tried too.
    shown = [start for start in starts if start[1] >= SHOWS_MS]
    also = shown[:1] if starts[0][1] < SHOWS_MS else []
    tries = [_fitted(comparison, start) for start in (starts[0], *also)]
    _, values, error = min(tries, key=lambda one: one[0])
    return values, error


def _fitted(comparison: _Comparison, start: list[float]) -> tuple[float, Block, Block]:
    """Return what is not explained by the best settings near some, these, and their errors."""
    from scipy import optimize

    count = len(start)
    norm = max(float(np.sqrt(np.mean(np.square(comparison.heard)))), 1e-300)
    unit = np.array([2.0, max(0.02, start[1]), 2.0, 0.05][:count])
    low, high = np.array(LOWEST[:count]) / unit, np.array(HIGHEST[:count]) / unit
    # One more than the value in its unit: the steps of the derivative are parts of what is changed.
    result = optimize.least_squares(
        lambda u: _rest(comparison, list((u - 1.0) * unit))[0] / norm,
        1.0 + np.array(start) / unit,
        bounds=(1.0 + low, 1.0 + high),
        diff_step=2e-3,
        xtol=1e-5,
        ftol=1e-7,
        max_nfev=25,
    )
    power = 2.0 * result.cost / max(1, comparison.samples) * TELLING_NOTHING
    inverse = np.linalg.pinv(result.jac.T @ result.jac)
    error = 2.0 * np.sqrt(np.maximum(0.0, np.diag(inverse) * power)) * unit
    return float(result.cost), (result.x - 1.0) * unit, error


def _read(comparison: _Comparison, values: Block, error: Block, has_cutoff: bool) -> DetectorFit:
    found = [float(value) for value in values]
    rest, scale = _rest(comparison, found)
    without, scale_without = _rest(comparison, [found[0], 0.0, *found[2:]])
    better = float(np.sum(np.square(without)) / np.sum(np.square(rest))) - 1.0
    if better * len(rest) / TELLING_NOTHING < SEEN:
        found[1], rest, scale = 0.0, without, scale_without  # no time constant can be seen
    design = _design(found)
    explained = 1.0 - float(np.sum(np.square(rest)) / np.sum(np.square(comparison.heard)))
    if explained < LEAST_ALIKE:
        raise AudioError(
            f"no detector explains what was recorded of the known sound ({100.0 * explained:.0f} % "
            "of it); is the rig's path that of the transmitter, or is the sound another?"
        )
    residual = float(np.sqrt(np.mean(np.square(rest)))) / abs(scale)
    level_error = float(error[3]) if has_cutoff else LEVEL_ERROR
    return DetectorFit(
        model=DetectorModel(
            carrier=scale,
            knee=design.knee,
            rc_s=design.rc_ms / 1000.0,
            coupling_hz=design.coupling_hz,
            noise=residual,
        ),
        knee_error=float(error[0]) / 100.0,
        carrier_error=max(LEAST_ERROR, level_error),
        level=found[3] if has_cutoff else 1.0,
        has_cutoff=has_cutoff,
        explained=explained,
        deepest=comparison.deepest,
        residual=residual,
    )
