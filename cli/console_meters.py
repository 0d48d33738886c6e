"""The meters of the live console: one line each, a bar with its numbers."""

from rich.text import Text

from carrierfloor.cli.console_words import (
    BAD,
    GOOD,
    PLAIN,
    QUIET,
    WARNING,
    bar,
    bar_from_middle,
    fitted,
    number,
)
from carrierfloor.cli.live_status import LiveStatus, Meters

LABEL, VALUE, HOLD, NOTE = 12, 12, 13, 13  # widths of the columns; the bar has the rest
NARROW = 72  # below, a hold stands where the note does if there is nothing to warn of
HOLD_MARK, LIMIT_MARK = "│", "┃"
LOWEST_DBFS, SILENCE_DBFS = -60.0, -119.9
HOT_DBFS, FULL_DBFS = -6.0, -0.1
SCALE_DB = 20.0  # of all gains
GAIN = "cyan"
# The promise at the antenna is the limit and the limiter's tolerance (dsp/limiter.py).
TOLERANCE_PCT = 0.1
OVER = "OVER LIMIT"


def meter_lines(status: LiveStatus, width: int) -> list[Text]:
    """Return the nine meters, each a line of ``width`` cells."""
    meters = status.meters
    return [
        _input(meters, width),
        _gain("Gate", meters.gate_db, width),
        _leveller(meters.leveller_db, width),
        _gain("Compressor", meters.compressor_db, width),
        _gain("Clipper", meters.clipper_db, width, "deep"),
        _gain("Limiter", meters.limiter_db, width),
        _negative(status, width),
        _positive(status, width),
        _density(meters, width),
    ]


def _input(meters: Meters, width: int) -> Text:
    hold, note, style = meters.input_hold_dbfs, "", GOOD
    if meters.input_is_silent:
        note, style = "ZEROS ONLY", WARNING
    elif hold >= FULL_DBFS:
        note, style = "FULL SCALE", BAD
    elif hold >= HOT_DBFS:
        note, style = "hot", WARNING
    marks = [(_level(hold), HOLD_MARK)] if hold > LOWEST_DBFS else []
    filled = bar(_level(meters.input_peak_dbfs), _bar_width(width), style, marks)
    value = _dbfs(meters.input_peak_dbfs)
    return _line("Input", filled, value, _hold(hold, SILENCE_DBFS), (note, style), width)


def _gain(name: str, gain_db: float | None, width: int, note: str = "") -> Text:
    """Draw a gain of 0 dB or below, or a depth."""
    if gain_db is None:
        return _absent(name, width)
    filled = bar(abs(gain_db) / SCALE_DB, _bar_width(width), GAIN)
    return _line(name, filled, number(gain_db, unit="dB"), "", (note, QUIET), width)


def _leveller(gain_db: float | None, width: int) -> Text:
    if gain_db is None:
        return _absent("Leveller", width)
    filled = bar_from_middle(gain_db / SCALE_DB, _bar_width(width), GAIN)
    return _line("Leveller", filled, number(gain_db, "+.1f", "dB"), "", ("", PLAIN), width)


def _negative(status: LiveStatus, width: int) -> Text:
    meters, limit = status.meters, status.negative_limit_pct
    return _antenna(
        "Negative",
        (-meters.negative_pct, -meters.negative_hold_pct, -meters.negative_max_pct),
        limit,
        _full_pct(status),
        width,
    )


def _positive(status: LiveStatus, width: int) -> Text:
    meters, limit = status.meters, status.positive_limit_pct
    return _antenna(
        "Positive",
        (meters.positive_pct, meters.positive_hold_pct, meters.positive_max_pct),
        limit,
        _full_pct(status),
        width,
    )


def _antenna(
    name: str, peaks: tuple[float, float, float], limit: float, full: float, width: int
) -> Text:
    """Draw a peak at the antenna: now, held, and since the session began."""
    now, hold, most = peaks
    held_over = abs(hold) > limit + TOLERANCE_PCT
    note = (OVER, BAD) if held_over else (f"max {number(most, '+.1f')}", PLAIN)
    if abs(most) > limit + TOLERANCE_PCT and not held_over:
        note = (note[0], BAD)
    marks = [(limit / full, LIMIT_MARK)]
    if hold:
        marks.insert(0, (abs(hold) / full, HOLD_MARK))
    filled = bar(abs(now) / full, _bar_width(width), BAD if held_over else GOOD, marks)
    held = f"hold {number(hold, '+.1f'):>6}" if hold else ""
    return _line(name, filled, number(now, "+.1f", "%"), held, note, width)


def _density(meters: Meters, width: int) -> Text:
    filled = bar(meters.density_pct / 100.0, _bar_width(width), GAIN)
    value = number(meters.density_pct, unit="%")
    return _line("Density", filled, value, "", ("in speech", QUIET), width)


def _absent(name: str, width: int) -> Text:
    blank = Text(" " * _bar_width(width))
    return _line(name, blank, "none", "", ("", PLAIN), width, label_style=QUIET)


def _line(
    name: str,
    filled: Text,
    value: str,
    hold: str,
    note: tuple[str, str],
    width: int,
    label_style: str = PLAIN,
) -> Text:
    is_narrow = width < NARROW
    if is_narrow and hold and note[1] not in (BAD, WARNING):
        note = (hold, QUIET)
    line = Text.assemble(
        (f" {name:<{LABEL - 1}}", label_style),
        filled,
        (f"{value:>{VALUE}}", label_style),
        ("" if is_narrow else f"{hold:>{HOLD}}", QUIET),
        "  ",
        (f"{note[0]:<{NOTE - 2}}", note[1]),
    )
    return fitted(line, width)


def _bar_width(width: int) -> int:
    hold = HOLD if width >= NARROW else 0
    return max(width - LABEL - VALUE - hold - NOTE, 1)


def _level(level_dbfs: float) -> float:
    return (level_dbfs - LOWEST_DBFS) / -LOWEST_DBFS


def _dbfs(level_dbfs: float) -> str:
    return "silence" if level_dbfs <= SILENCE_DBFS else number(level_dbfs, unit="dBFS")


def _hold(level_dbfs: float, silence: float) -> str:
    return "" if level_dbfs <= silence else f"hold {number(level_dbfs):>6}"


def _full_pct(status: LiveStatus) -> float:
    """Return the right end of both bars of the antenna, so that they can be compared."""
    return 1.06 * max(status.negative_limit_pct, status.positive_limit_pct, 100.0)
