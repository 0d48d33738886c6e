"""A recording against the limits of a rig: what is wrong in the rig file, and by how much.

The limiter holds every peak that it foresees.  A recording that breaks a limit shows that something
in the rig file is not true.  Crest and trough that are both too large by the same ratio, with many
troughs of the same depth, tell of the level; a trough alone that is too deep, or troughs of many
depths, tell of the path, and a margin covers what the path does not know; a trough that goes as
deep as crests should go, and the other way round, tells of the polarity.
"""

import math
from dataclasses import dataclass

from carrierfloor.dsp import carrier
from carrierfloor.dsp.rig import Rig

SLACK_PCT = 0.3  # the limiter's own, and the grid's
ERRORS = 2.0  # standard errors of a peak
ALIKE = 0.03  # crest and trough scale alike if their ratios differ by no more
LARGEST_MARGIN_PCT = 12.0  # a path that needs more is not true
SPARE_PCT = 0.2  # put on top of what is missing
SHARP = 1.6  # an edge from which on the limiter's path is the transmitter's
ALIKE_OFF = 0.1  # where the carrier goes off, how deep the trough aims is known less well
SWAPPED = 0.02  # a crest so near the negative aim, and a trough so deep, are upside down
SWAPPED_TROUGH = 0.18
LOUDER = 0.97  # of both limits, by a sharp edge: the level may go up
UNUSED = 0.9  # of both limits: something is left
NONE, LEVEL, MARGIN, PATH, POLARITY, POWER = "none", "level", "margin", "path", "polarity", "power"


@dataclass(frozen=True)
class Correction:
    """One key of the rig file that should have another value."""

    table: str
    key: str
    old: float | str
    new: float | str
    reason: str  # a sentence


@dataclass(frozen=True, kw_only=True)
class RigVerdict:
    """What a recording says of a rig file."""

    keeps: bool | None  # no limit is broken; None: the recording does not show it
    what: str  # NONE, or what is to be changed first
    words: str  # what to change and why; or what is well
    corrections: tuple[Correction, ...]


@dataclass(frozen=True, kw_only=True)
class Reached:
    """How far a recorded signal went; 1.0 = 100 %."""

    positive: float
    negative: float  # where the modulation aims, beyond 1.0 if the carrier goes off
    cutoffs: int
    error: float
    edge: float | None = None  # how sharply the depths of troughs end; None: not known


def judge_rig(
    reached: Reached, rig: Rig, level_db: float | None = None, *, is_upside_down: bool = False
) -> RigVerdict:
    """Judge a recording of audio that went through the limiter with this rig.

    Parameters
    ----------
    reached : Reached
        In the recording.
    rig : Rig
        Whose limits count.
    level_db : float, optional
        By how much modulation exceeds what the rig's level promises, if a reference told.
    is_upside_down : bool
        A reference told that a positive sample takes the carrier down where the rig says up.
    """
    slack = SLACK_PCT / 100.0 + ERRORS * reached.error
    limits = rig.modulation
    too_deep = reached.negative - limits.negative_limit_pct / 100.0 > slack or reached.cutoffs > 0
    too_high = reached.positive - limits.positive_limit_pct / 100.0 > slack
    if is_upside_down:
        return _turn(rig, keeps=not (too_deep or too_high))
    if not (too_deep or too_high):
        return _kept(reached, rig)
    if too_deep and _is_upside_down(reached, rig):
        return _turn(rig, keeps=False)
    ratio = _common_ratio(reached, rig, level_db)
    if ratio is not None:
        return _level(rig, ratio, keeps=False)
    return _margin(reached, rig, too_deep, too_high)


def not_seen(verdict: RigVerdict, may_be_deep: float) -> RigVerdict:
    """Return a verdict on what a detector showed, if troughs may be deeper than it sees.

    Parameters
    ----------
    verdict : RigVerdict
        On what was seen.
    may_be_deep : float
        How deep troughs may be, 1.0 = cut-off.
    """
    if not verdict.keeps:
        return verdict
    words = (
        f"Troughs may be as deep as {100.0 * may_be_deep:.1f} %: this detector does not show it, "
        "so nothing is said to be safe."
    )
    return RigVerdict(keeps=None, what=NONE, words=words, corrections=())


def _kept(reached: Reached, rig: Rig) -> RigVerdict:
    power = _power(reached, rig)
    if power is not None:
        return power
    parts = (
        reached.negative / rig.modulation.negative_aim,
        reached.positive / rig.modulation.positive_aim,
    )
    alike = abs(parts[0] / parts[1] - 1.0) < ALIKE + reached.error
    if reached.edge is not None and reached.edge >= SHARP and alike and max(parts) < LOUDER:
        return _level(rig, max(parts), keeps=True)
    words = "Nothing in the rig file needs a change."
    if max(parts) < UNUSED:
        left_db = -20.0 * math.log10(max(max(parts), 0.01))
        words += (
            f" Both limits are {left_db:.1f} dB away or more: the audio was not loud enough to "
            "reach them, or full_modulation_dbfs is that much too low."
        )
    return RigVerdict(keeps=True, what=NONE, words=words, corrections=())


def _power(reached: Reached, rig: Rig) -> RigVerdict | None:
    """Tell if the peak power is over what is allowed though the positive limit is kept."""
    if rig.carrier is None or rig.carrier.pep_limit_w is None:
        return None
    pep_w = carrier.pep_w(rig.carrier.power_w, reached.positive)
    limit_w = rig.carrier.pep_limit_w
    if pep_w <= limit_w * (1.0 + 2.0 * reached.error):
        return None
    fits = carrier.largest_positive_peak(limit_w, rig.carrier.power_w)
    limit_pct = math.floor(100.0 * fits)
    reason = (
        f"The peaks have {pep_w:.0f} W and the rig allows {limit_w:g} W, which is +{limit_pct} % "
        f"of a carrier of {rig.carrier.power_w:g} W."
    )
    if limit_pct < 50.0:
        return RigVerdict(
            keeps=False, what=POWER, words=f"Lower the carrier. {reason}", corrections=()
        )
    old = rig.modulation.positive_limit_pct
    change = Correction("modulation", "positive_limit_pct", old, float(limit_pct), reason)
    words = f"Lower positive_limit_pct from {old:g} to {limit_pct}. {reason}"
    return RigVerdict(keeps=False, what=POWER, words=words, corrections=(change,))


def _is_upside_down(reached: Reached, rig: Rig) -> bool:
    down, up = rig.modulation.negative_aim, rig.modulation.positive_aim
    apart = up - down > 2.0 * SWAPPED
    return (
        apart
        and abs(reached.positive / down - 1.0) < SWAPPED
        and abs(reached.negative / up - 1.0) < SWAPPED_TROUGH
    )


def _turn(rig: Rig, *, keeps: bool) -> RigVerdict:
    old = rig.level.polarity
    new = "normal" if old == "inverted" else "inverted"
    reason = (
        "Crests go where troughs should and troughs where crests should: a positive sample moves "
        "the carrier the other way."
    )
    return RigVerdict(
        keeps=keeps,
        what=POLARITY,
        words=f"Change polarity from {old} to {new}. {reason}",
        corrections=(Correction("level", "polarity", old, new, reason),),
    )


def _common_ratio(reached: Reached, rig: Rig, level_db: float | None) -> float | None:
    """Return by how much both peaks are too large, if they are alike."""
    down = reached.negative / rig.modulation.negative_aim
    up = reached.positive / rig.modulation.positive_aim
    if level_db is not None:
        ratio = float(10.0 ** (level_db / 20.0))
        return ratio if abs(ratio / max(down, up) - 1.0) < 2.0 * ALIKE and ratio > 1.0 else None
    alike = abs(down / up - 1.0) < (ALIKE_OFF if reached.cutoffs else ALIKE) + reached.error
    is_smeared = reached.edge is not None and reached.edge < SHARP
    if not alike or is_smeared or min(down, up) <= 1.0:
        return None
    return up if reached.cutoffs else max(down, up)


def _level(rig: Rig, ratio: float, *, keeps: bool) -> RigVerdict:
    off_db = 20.0 * math.log10(ratio)
    old = rig.level.full_modulation_dbfs
    new = min(0.0, round(old - off_db, 2))
    way, than = ("larger", "less") if ratio > 1.0 else ("smaller", "more")
    reason = (
        f"Crest and trough are both {100.0 * abs(ratio - 1.0):.1f} % {way} than the limiter aims "
        f"at: 100 % takes {abs(off_db):.2f} dB {than} than the rig file says."
    )
    if not keeps:
        reason += " If peaks are still beyond the limits after that, measure the path."
    return RigVerdict(
        keeps=keeps,
        what=LEVEL,
        words=f"Change full_modulation_dbfs from {old:g} to {new:.2f}. {reason}",
        corrections=(Correction("level", "full_modulation_dbfs", old, new, reason),),
    )


def _margin(reached: Reached, rig: Rig, too_deep: bool, too_high: bool) -> RigVerdict:
    limits = rig.modulation
    corrections, words, lacking = [], [], 0.0
    both = too_deep and too_high
    sides = (
        (too_deep, "negative", "Troughs", reached.negative, limits.negative_limit_pct,
         limits.negative_margin_pct, limits.negative_aim),
        (too_high, "positive", "Crests", reached.positive, limits.positive_limit_pct,
         limits.positive_margin_pct, limits.positive_aim),
    )  # fmt: skip
    for broken, side, peaks, went, limit_pct, margin_pct, aim in sides:
        if not broken:
            continue
        # A margin scales what is sent: what goes beyond shrinks with it.
        needed = aim * (1.0 - limit_pct / 100.0 / went) + SPARE_PCT / 100.0
        new = round(math.ceil(1000.0 * (margin_pct / 100.0 + max(needed, 0.0))) / 10.0, 1)
        lacking = max(lacking, new)
        others = "crests" if side == "negative" else "troughs"
        way = "deep" if side == "negative" else "high"
        reason = (
            f"{peaks} go to {100.0 * went:.1f} %, {100.0 * went - limit_pct:.1f} % too {way}, "
            f"{'by another ratio than' if both else 'while'} {others}"
            f"{'' if both else ' keep their limit'}: the path in the rig file is not quite the "
            "transmitter's."
        )
        corrections.append(Correction("modulation", f"{side}_margin_pct", margin_pct, new, reason))
        words.append(f"Change {side}_margin_pct from {margin_pct:g} to {new:g}. {reason}")
    if lacking > LARGEST_MARGIN_PCT:
        return RigVerdict(
            keeps=False,
            what=PATH,
            words=f"Measure the path and the level again: a margin of {lacking:g} % would be "
            "needed, so the rig file does not describe this transmitter, or this audio did not go "
            "through its limiter.",
            corrections=(),
        )
    return RigVerdict(
        keeps=False, what=MARGIN, words=" ".join(words), corrections=tuple(corrections)
    )
