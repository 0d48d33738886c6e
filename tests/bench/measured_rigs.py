"""How well a rig file that was measured holds the true antenna.

Usage, from the top of the repository::

    python -m tests.bench.measured_rigs [--count 200] [--first 1] [--seconds 2] [--clips all]

Each number is the seed of a transmitter drawn at random: structure, distortion, compression of
positive peaks, hum, delay, clock, noise, polarity, detector.  A sweep at about half modulation
goes through it; its capture is all that the fit, the margins and so the rig file are made from,
but for the level, which is set so that a tone for the negative limit has its trough there.  Then
the clips are processed with that rig and sent through the true transmitter, distortion and hum
included.  Held means: no deeper and no higher than limit + 1 %, and no cut-off.

Nothing that judges is shared with the code under test: tests/reference/transmitter.py, capture.py.
"""

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.errors import CarrierfloorError
from carrierfloor.dsp.path_fit import PathFit, fit_path
from carrierfloor.dsp.path_margin import PathMargin, path_margin
from carrierfloor.dsp.rig import Level, Modulation, Rig
from carrierfloor.dsp.sections import Section
from carrierfloor.dsp.signals import Ramped, Sweep
from carrierfloor.dsp.sweep_recognition import recognise
from carrierfloor.dsp.sweep_response import Detector, measure_response
from tests import clips
from tests.reference.capture import Capture
from tests.reference.transmitter import (
    RATE_HZ,
    Bend,
    Block,
    Sections,
    Transmitter,
    Verdict,
    all_pass,
    butterworth,
    chebyshev,
)

OURS = sorted(name for name in clips.SPOKEN if "harvard" not in name)
GOAL = 0.01  # beyond the limit
SWEEP_S = 10.0
DEPTH, HIGHEST_DEPTH = 0.5, 0.8
LIMITS_PCT = ((95.0, 125.0), (95.0, 100.0), (90.0, 110.0))


@dataclass(frozen=True)
class Case:
    """A transmitter, how it is captured, and what its operator knows."""

    transmitter: Transmitter
    capture: Capture
    detector: tuple[Section, ...]
    limits_pct: tuple[float, float]
    depth: float  # of the sweep; true ...
    believed: float  # ... and what the operator takes it for
    words: str  # its structure


@dataclass(frozen=True)
class Outcome:
    """What became of it."""

    case: Case
    fit: PathFit
    margin: PathMargin
    verdict: Verdict
    signal_to_noise_db: float

    @property
    def below(self) -> float:
        """How far the trough went beyond the limit, 1.0 = 100 %."""
        return self.verdict.trough - self.case.limits_pct[0] / 100.0

    @property
    def above(self) -> float:
        """How far the crest went beyond the limit."""
        return self.verdict.crest - self.case.limits_pct[1] / 100.0

    @property
    def held(self) -> bool:
        return self.below <= GOAL and self.above <= GOAL and self.verdict.cutoffs == 0


def case(seed: int) -> Case:
    """Draw a transmitter."""
    random = np.random.default_rng(seed)
    linear, words = _linear(random)
    blocks = list(linear)
    if random.random() < 0.8:
        full = random.random() < 0.5
        second = random.choice([-0.02, 0.02]) * (1.0 if full else random.random())
        third = random.choice([-0.01, 0.01]) * (1.0 if full else random.random())
        at = int(random.integers(0, len(blocks) + 1))
        blocks.insert(at, Bend(second=float(second), third=float(third)))
        words.append(f"bend {100 * second:+.1f} {100 * third:+.1f} % at {at}/{len(linear)}")
    if random.random() < 0.4:
        start, lost = random.uniform(0.8, 1.1), random.uniform(0.1, 0.5)
        at = int(random.integers(0, len(blocks) + 1))
        blocks.insert(at, Bend(compression_from=float(start), compression=float(lost)))
        words.append(f"compressed from {100 * start:.0f} % at {at}/{len(blocks) - 1}")
    hum = tuple(
        (f, 0.01, float(random.uniform(0.0, 6.28))) for f in (60.0, 120.0) if random.random() < 0.6
    )
    words += [f"hum {f:g}" for f, _, _ in hum]
    sign = float(random.choice([-1.0, 1.0]))
    detector: tuple[Section, ...] = ()
    if random.random() < 0.5:
        detector = (
            Section(kind="highpass", corner_hz=float(random.uniform(1.0, 8.0))),
            Section(kind="lowpass", corner_hz=float(random.uniform(9000.0, 20_000.0))),
        )
    capture = Capture(
        delay_s=float(random.choice([0.0, random.uniform(0.05, 4.0)])),
        after_s=float(random.uniform(0.1, 2.0)),
        clock_ppm=float(random.choice([50.0, -50.0, random.uniform(-300.0, 300.0)])),
        noise_db=float(random.choice([30.0, random.uniform(30.0, 60.0)])),
        peak=float(random.uniform(0.1, 0.9)),
        detector=tuple(Sections((_row(one),)) for one in detector),
        seed=seed,
    )
    transmitter = Transmitter(tuple(blocks), full_modulation=0.5 * sign, hum=hum)
    # A path with a resonance is swept with less, as the operator sees it on the scope.
    highest = float(np.abs(transmitter.response(np.geomspace(20.0, 10_000.0, 400))).max())
    depth = min(DEPTH, HIGHEST_DEPTH / highest)
    return Case(
        transmitter=transmitter,
        capture=capture,
        detector=detector,
        limits_pct=LIMITS_PCT[int(random.integers(0, len(LIMITS_PCT)))],
        depth=depth * float(random.uniform(0.9, 1.1)),
        believed=depth,
        words=", ".join(words),
    )


def _linear(random: np.random.Generator) -> tuple[list[Block], list[str]]:
    """Draw the linear parts, in any order."""
    parts: list[tuple[Block, str]] = []

    def section(**row: float | str) -> None:
        hz = row.get("corner_hz", row.get("centre_hz"))
        parts.append((Sections((row,)), f"{row['kind']} {hz:.0f}"))

    def between(low: float, high: float) -> float:
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    kind = random.random()
    if kind < 0.7:
        section(kind="highpass", corner_hz=between(15.0, 80.0), q=between(0.5, 1.5))
    elif kind < 0.85:
        corner_hz = between(20.0, 80.0)
        parts.append((butterworth(3, corner_hz, "highpass"), f"Butterworth 3 {corner_hz:.0f}"))
    for _ in range(int(random.integers(0, 3))):
        section(kind="highpass", corner_hz=between(4.0, 60.0))
    for _ in range(int(random.integers(0, 3))):
        gain_db = float(random.uniform(-4.0, 4.0))
        section(kind="peak", centre_hz=between(150.0, 4000.0), gain_db=gain_db, q=between(0.5, 2.5))
    if random.random() < 0.3:
        gain_db = float(random.uniform(-5.0, 5.0))
        if random.random() < 0.5:
            section(kind="lowshelf", corner_hz=between(100.0, 500.0), gain_db=gain_db)
        else:
            section(kind="highshelf", corner_hz=between(1000.0, 4000.0), gain_db=gain_db)
    if random.random() < 0.3:
        corner_hz = between(100.0, 5000.0)
        q = between(0.4, 1.2) if random.random() < 0.5 else None
        parts.append((all_pass(corner_hz, q), f"all-pass {corner_hz:.0f}"))
    kind, corner_hz = random.random(), between(4500.0, 12_000.0)
    if kind < 0.6:
        section(kind="lowpass", corner_hz=corner_hz, q=between(0.5, 2.0))
    elif kind < 0.75:
        ripple_db = float(random.uniform(0.1, 1.0))
        parts.append((chebyshev(3, ripple_db, corner_hz), f"Chebyshev 3 {corner_hz:.0f}"))
    elif kind < 0.9:
        order = int(random.integers(3, 6))
        parts.append(
            (butterworth(order, corner_hz, "lowpass"), f"Butterworth {order} {corner_hz:.0f}")
        )
    if random.random() < 0.3:
        section(kind="lowpass", corner_hz=between(5000.0, 15_000.0))
    random.shuffle(parts)
    return [block for block, _ in parts], [words for _, words in parts]


def _row(section: Section) -> dict[str, float | str]:
    return {"kind": section.kind, "corner_hz": section.frequency_hz}


def measured(one: Case) -> tuple[Rig, PathFit, PathMargin, float]:
    """Measure a transmitter and make the rig file's content."""
    sweep = Ramped(
        signal=Sweep(
            lowest_hz=20.0, highest_hz=10_000.0, duration_s=SWEEP_S, sample_rate_hz=RATE_HZ
        ),
        peak=one.depth * abs(one.transmitter.full_modulation),
        ramp_samples=2400,
        samples=round(SWEEP_S * RATE_HZ),
    )
    played = np.concatenate(list(sweep.blocks()))
    response = measure_response(
        one.capture.record(one.transmitter, played),
        RATE_HZ,
        recognise(played, RATE_HZ),
        Detector(sections=one.detector),
    )
    fit = fit_path(response, "measured")
    modulation = Modulation(
        negative_limit_pct=one.limits_pct[0], positive_limit_pct=one.limits_pct[1]
    )
    margin = path_margin(fit, response, modulation, one.believed, capture_polarity="normal")
    full = one.transmitter.calibrated(one.limits_pct[0] / 100.0)
    rig = Rig(
        name="measured",
        modulation=replace(
            modulation,
            negative_margin_pct=margin.negative_margin_pct,
            positive_margin_pct=margin.positive_margin_pct,
        ),
        level=Level(full_modulation_dbfs=20.0 * float(np.log10(abs(full))), polarity=fit.polarity),
        paths=(fit.path,),
    )
    return rig, fit, margin, response.signal_to_noise_db


def outcome(one: Case, names: Sequence[str], seconds: float | None = None) -> Outcome:
    """Measure a transmitter, process clips for it and judge them at its true antenna.

    Parameters
    ----------
    one : Case
        The transmitter.
    names : sequence of str
        The clips.
    seconds : float or None
        Only so much of each clip, from a place that differs from case to case; ``None``: all.
    """
    rig, fit, margin, signal_to_noise_db = measured(one)
    chain = Chain(clips.voice(), rig)
    worst = Verdict(trough=0.0, crest=0.0, cutoffs=0)
    for number, name in enumerate(names):
        chain.reset()
        sound = clips.sound(name)
        if seconds is not None and len(sound) > seconds * RATE_HZ:
            length = round(seconds * RATE_HZ)
            random = np.random.default_rng([one.capture.seed, number])
            first = int(random.integers(0, len(sound) - length))
            sound = sound[first : first + length]
        found = one.transmitter.judge(clips.run(chain, sound))
        worst = Verdict(
            trough=max(worst.trough, found.trough),
            crest=max(worst.crest, found.crest),
            cutoffs=worst.cutoffs + found.cutoffs,
        )
    return Outcome(one, fit, margin, worst, signal_to_noise_db)


def main() -> int:
    """Run the bench."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--first", type=int, default=1, help="seed of the first")
    parser.add_argument("--seconds", type=float, help="of each clip; without it all of it")
    parser.add_argument(
        "--clips", type=int, default=len(OURS), help="how many of the clips, in turn"
    )
    arguments = parser.parse_args()
    done: list[Outcome] = []
    refused = 0
    for seed in range(arguments.first, arguments.first + arguments.count):
        one, began = case(seed), time.monotonic()
        names = [OURS[(seed + n) % len(OURS)] for n in range(arguments.clips)]
        try:
            found = outcome(one, names, arguments.seconds)
        except CarrierfloorError as error:
            refused += 1
            print(f"{seed:4d} refused: {error} [{one.words}]", flush=True)
            continue
        done.append(found)
        print(f"{seed:4d} {_line(found)} {time.monotonic() - began:5.1f} s", flush=True)
    _summary(done, refused)
    return 0 if all(one.held for one in done) else 1


def _line(one: Outcome) -> str:
    return (
        f"{'held' if one.held else 'NOT HELD':8s} trough {100 * one.below:+6.2f} crest "
        f"{100 * one.above:+6.2f} cut-offs {one.verdict.cutoffs} margins "
        f"{one.margin.negative_margin_pct:4.1f} {one.margin.positive_margin_pct:4.1f} "
        f"(response {one.margin.negative.response_pct:.2f} distortion "
        f"{one.margin.negative.distortion_pct:.2f} hum {one.margin.negative.hum_pct:.2f}) fit "
        f"{len(one.fit.path.sections)} sections {one.fit.residual_db:.0f} dB S/N "
        f"{one.signal_to_noise_db:.0f} [{one.case.words}]"
    )


def _summary(done: list[Outcome], refused: int) -> None:
    held = sum(one.held for one in done)
    cutoffs = sum(one.verdict.cutoffs for one in done)
    print(f"\n{len(done)} measured, {refused} refused; held {held}; cut-offs {cutoffs}")
    figures = {
        "trough beyond the limit, %": [100 * one.below for one in done],
        "crest beyond the limit, %": [100 * one.above for one in done],
        "negative margin, %": [one.margin.negative_margin_pct for one in done],
        "positive margin, %": [one.margin.positive_margin_pct for one in done],
        "of it response, %": [one.margin.negative.response_pct for one in done],
        "of it distortion, %": [one.margin.negative.distortion_pct for one in done],
        "of it hum, %": [one.margin.negative.hum_pct for one in done],
        "residual of the fit, dB": [one.fit.residual_db for one in done],
    }
    print(f"{'':28s} {'least':>7s} {'median':>7s} {'90 %':>7s} {'most':>7s}")
    for name, values in figures.items():
        row = np.quantile(values, [0.0, 0.5, 0.9, 1.0])
        print(f"{name:28s} " + " ".join(f"{value:7.2f}" for value in row))
    print("\nThe ten deepest troughs, and the ten highest crests:")
    for key in ("below", "above"):
        for one in sorted(done, key=lambda one: -getattr(one, key))[:10]:
            print(f"{one.case.capture.seed:4d} {_line(one)}")


if __name__ == "__main__":
    raise SystemExit(main())
