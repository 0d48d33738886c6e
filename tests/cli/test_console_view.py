"""What the live console draws, at any size and for any values."""

import itertools
import math
from typing import Any

import pytest
from rich.cells import cell_len

from carrierfloor.cli import live_keys
from carrierfloor.cli.console_plots import envelope_lines, trapezoid_lines
from carrierfloor.cli.console_view import draw
from carrierfloor.cli.console_words import bar, bar_from_middle, duration, number
from carrierfloor.cli.live_status import (
    ENDED,
    MUTED,
    SILENT,
    STARTING,
    Latency,
    LiveStatus,
    Loop,
    Meters,
)
from tests.cli.moments import meters, moment

ODD = [math.inf, -math.inf, math.nan, 1e300, -1e300, 0.0, -0.0]
METERS = ("Input", "Gate", "Leveller", "Compressor", "Clipper", "Limiter", "Negative", "Positive")
EMPTY = LiveStatus()
LONG = moment(
    message="the output device went away: " + "it is tried again " * 20,
    voices=(("A", "Ä" * 200), ("B", "声" * 90), ("Y", "B\n\x1b[31mypass")),
    rig="a rig with a very long name " * 9,
    is_equalised=True,
    input_device="\tcard\r\n" * 40,
    recording="/a/long/path" * 30,
)
EXTREME = moment(
    elapsed_s=4e8,
    meters=meters(**dict.fromkeys(Meters.__dataclass_fields__, math.inf)),
    loop=Loop(load_median_pct=1e9, input_overflows=10**12, cuts=10**9, restarts=10**9),
    latency=Latency(chain_ms=math.inf, server_ms=math.nan),
    drift_ppm=-math.inf,
    marks=10**9,
    recording_lost_s=1e9,
    envelope=tuple((-odd, odd) for odd in ODD * 60),
    trapezoid=tuple(itertools.product(ODD, ODD)),
)
NOTHING = moment(
    meters=meters(gate_db=None, leveller_db=None, compressor_db=None, clipper_db=None),
    drive_db=None,
    drift_ppm=None,
    heard="Y",
    voices=(),
    recording="",
    envelope=(),
    trapezoid=(),
)
NO_NUMBER = moment(meters=meters(**dict.fromkeys(Meters.__dataclass_fields__, math.nan)))
MOMENTS = {
    "on the air": moment(),
    "as new": EMPTY,
    "long": LONG,
    "extreme": EXTREME,
    "nothing": NOTHING,
    "no number": NO_NUMBER,
}
SIZES = [(60, 20), (61, 21), (80, 24), (79, 25), (100, 30), (119, 29), (120, 30), (160, 50)]
SIZES += [(300, 90), (60, 90), (300, 20), (59, 24), (80, 19), (20, 5), (1, 1)]


def lines_of(status: LiveStatus, width: int, height: int, **options: Any) -> list[str]:
    return draw(status, width, height, **options).plain.split("\n")


@pytest.mark.parametrize("with_help", [False, True])
@pytest.mark.parametrize("name", MOMENTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_screen_is_filled_exactly(name: str, width: int, height: int, with_help: bool) -> None:
    lines = lines_of(MOMENTS[name], width, height, with_help=with_help)
    assert [cell_len(line) for line in lines] == [width] * height
    assert all(line.isprintable() for line in lines)


@pytest.mark.parametrize(("width", "height"), [(60, 20), (80, 24), (120, 36), (160, 50)])
def test_all_is_said_and_nothing_cut(width: int, height: int) -> None:
    text = "\n".join(lines_of(moment(), width, height))
    for words in (
        *METERS, "Density", "AUDIO ON", "running 0:12:34", "14:02:11", "A Everyday", "+12.0 dB",
        "Plate modulated", "-95 % +125 %", "-14.2 dBFS", "-1.5 dB", "+4.2 dB", "-5.1 dB", "6.3 dB",
        "-0.8 dB", "-71.4 %", "+88.8 %", "38.2 %", "hold   -9.1", "hold  -94.9", "hold +119.4",
        "median   9", "p99  14", "max  31 %", "Xruns 0 in 0 out", "Cuts 1", "Restarts 0",
        "+12.3 ppm", "45.4 ms", "0:11:40 evening.wav", "Marks 2", "voice B was read again",
        "voices matched", "h keys", "q quit", "cut-off", "s ago", "now", "+125 %", "-95 %",
    ):  # fmt: skip
        assert words in text, words
    assert "…" not in text


def test_more_is_said_where_there_is_room() -> None:
    for width, height in [(80, 24), (160, 50)]:
        text = "\n".join(lines_of(moment(), width, height))
        for words in ("USB microphone → USB codec", "48 kHz, 256 frames", "B Dense or bypass"):
            assert words in text
        assert "chain 13.4 buffers 10.7 server 21.3" in text
        assert "max -95.0" in text
        assert "carrier" in text
    assert "Trapezoid" in "\n".join(lines_of(moment(), 160, 50))


@pytest.mark.parametrize(
    ("state", "word"),
    [(STARTING, "STARTING"), (MUTED, "MUTED"), (SILENT, "SILENT"), (ENDED, "ENDED")],
)
def test_state_in_words(state: str, word: str) -> None:
    for width, height in SIZES[:11]:
        lines = lines_of(moment(state=state), width, height)
        assert lines[0].split()[0] == word
        assert "AUDIO ON" not in lines[0]


@pytest.mark.parametrize(("width", "height"), [(80, 24), (60, 20), (40, 10)])
def test_caution_while_starting(width: int, height: int) -> None:
    def words(state: str) -> str:
        return " ".join("\n".join(lines_of(moment(state=state), width, height)).split())

    caution = "Dummy load first: set levels into a dummy load before you go on the air."
    assert caution in words(STARTING)
    assert caution not in words(MUTED)


@pytest.mark.parametrize(("width", "height"), [(60, 20), (80, 24), (160, 50)])
def test_warnings_in_words(width: int, height: int) -> None:
    def text(**changes: Any) -> str:
        return "\n".join(lines_of(moment(meters=meters(**changes)), width, height))

    assert "OVER LIMIT" not in text()
    assert "OVER LIMIT" in text(negative_hold_pct=95.2)
    assert "OVER LIMIT" in text(positive_hold_pct=125.3)
    assert "ZEROS ONLY" in text(input_is_silent=True)
    assert "FULL SCALE" in text(input_hold_dbfs=0.0)
    lost = moment(recording_lost_s=0.25)
    assert "LOST 0.25 s" in "\n".join(lines_of(lost, width, height))


@pytest.mark.parametrize(("width", "height"), [(60, 20), (80, 24), (160, 50)])
def test_help_names_every_key_beside_the_meters(width: int, height: int) -> None:
    text = "\n".join(lines_of(moment(), width, height, with_help=True))
    for action in live_keys.ACTIONS:
        assert action.words in text
    for name in METERS:
        assert name in text


def test_numbers_keep_their_places() -> None:
    """What stands where does not depend on how loud it is."""

    def places(status: LiveStatus) -> list[str]:
        return [
            "".join(c if c.isalpha() else " " for c in line) for line in lines_of(status, 80, 24)
        ]

    soft = meters(input_peak_dbfs=-6.1, gate_db=-0.1, leveller_db=-12.9, negative_pct=0.1)
    loads = Loop(load_median_pct=99.0, load_p99_pct=100.0, load_max_pct=7.0, cuts=1)
    other = moment(meters=soft, loop=loads, drift_ppm=-150.2, drive_db=-3.5, envelope=())
    assert places(moment(envelope=())) == places(other)


def test_message_of_two_lines() -> None:
    words = "the output device went away and is opened again as soon as it is back, which may take"
    lines = lines_of(moment(message=words), 80, 24)
    assert " ".join("".join(lines[-3:-1]).split()) == words


def test_bars() -> None:
    """The length is the share, to an eighth of a cell."""
    assert bar(0.0, 10, "").plain == "·" * 10
    assert bar(0.5, 10, "").plain == "█" * 5 + "·" * 5
    assert bar(1.7, 10, "").plain == "█" * 10
    assert bar(0.5125, 10, "").plain == "█████▏····"
    assert bar(0.25, 8, "", [(0.999, "|"), (0.0, "!")]).plain == "!█·····|"
    for width in (1, 2, 9, 10, 33):
        for share in (-2.0, -1.0, -0.3, 0.0, 0.3, 1.0, 2.0, *ODD):
            assert cell_len(bar(share, width, "red").plain) == width
            assert cell_len(bar_from_middle(share, width, "red").plain) == width
    assert bar_from_middle(0.5, 9, "").plain == "····│██··"
    assert bar_from_middle(-0.5, 9, "").plain == "··██│····"
    assert bar_from_middle(-1.0, 10, "").plain == "█████│····"
    assert bar_from_middle(1.0, 10, "").plain == "·····│████"


def test_numbers() -> None:
    assert number(-12.34, "+.1f", "dB") == "-12.3 dB"
    assert number(0.04, "+.1f", "dB") == number(-0.04, "+.1f", "dB") == "0.0 dB"
    assert number(None, unit="dB") == "none"
    assert number(math.nan) == "unknown"
    assert number(math.inf, unit="%") == ">9999 %"
    assert duration(59.9) == "0:00:59"
    assert duration(3 * 86_400 + 3_661) == "3 d 1:01:01"
    assert duration(math.nan) == duration(-1.0) == "0:00:00"


def dots(lines: list[Any], label: int) -> list[list[bool]]:
    """Return the field of dots of a picture, the lowest row first; without its last line."""
    order = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
    rows = []
    for line in lines[:-1]:
        cells = [max(ord(c) - 0x2800, 0) if c != " " else 0 for c in line.plain[label:]]
        rows += [[bool(cell & bit) for cell in cells for bit in bits] for bits in order]
    return rows[::-1]


def test_envelope_is_drawn_where_it_is() -> None:
    """Every column of dots against the lowest and highest of the values it stands for."""
    width, rows = 109, 26  # 200 columns of dots, two values each; 100 rows
    envelope = tuple((-0.004 * (n % 200), 0.005 * (n % 200) + 0.01) for n in range(400))
    field = dots(envelope_lines(envelope, width, rows, 95.0, 125.0), 9)
    assert len(field) == 100
    for column in range(200):
        lowest = 1 + min(envelope[2 * column][0], envelope[2 * column + 1][0])
        highest = 1 + max(envelope[2 * column][1], envelope[2 * column + 1][1])
        lit = [row for row in range(100) if field[row][column]]
        low, high = (int(100 * value / (1.04 * 2.25)) for value in (lowest, highest))
        assert set(range(low, high + 1)) <= set(lit)
        rules = {int(100 * value / (1.04 * 2.25)) for value in (0.05, 1.0, 2.25)}
        # The lines lie in cells of their own unless the envelope is there too.
        assert set(lit) - set(range(low, high + 1)) <= rules


def test_lines_of_carrier_and_limits() -> None:
    lines = envelope_lines((), 109, 26, 95.0, 125.0)
    field = dots(lines, 9)
    lit = [row for row in range(100) if any(field[row])]
    assert lit == [int(100 * value / (1.04 * 2.25)) for value in (0.05, 1.0, 2.25)]
    assert lines[-1].plain.startswith(" cut-off ─")


def test_trapezoid_is_drawn_where_it_is() -> None:
    """A straight line from cut-off to the highest crest, where nothing else is."""
    pairs = [(n / 100, n / 100) for n in range(-94, 125)]
    empty = dots(trapezoid_lines((), 59, 26, 95.0, 125.0), 9)
    field = dots(trapezoid_lines(pairs, 59, 26, 95.0, 125.0), 9)
    for x, m in pairs:
        column = int((x + 1.04) / (1.04 * 2.25) * 100)
        assert field[int((1 + m) / (1.04 * 2.25) * 100)][column]
    lit = sum(map(sum, field)) - sum(map(sum, empty))
    assert 60 < lit < 200


def test_what_is_over_the_limit_is_red() -> None:
    def reds(envelope: tuple[tuple[float, float], ...]) -> int:
        lines = envelope_lines(envelope, 80, 10, 95.0, 125.0)
        return sum("red" in str(span.style) for line in lines for span in line.spans)

    assert reds(((-0.95, 1.25),) * 20) == 0
    assert reds(((-0.96, 1.25),)) > 0
    assert reds(((-0.95, 1.26),)) > 0
