"""``--plain`` and ``--log``: what is written, when, and that it survives a kill."""

import csv
import json
import math
import os
import signal
import subprocess
import sys
import time
from dataclasses import fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from carrierfloor.cli import live_rows
from carrierfloor.cli.live_events import EVENTS, Event, events_between
from carrierfloor.cli.live_lines import LiveLines
from carrierfloor.cli.live_log import LOG_KEYS, LiveLog
from carrierfloor.cli.live_status import MUTED, SILENT, Latency, LiveStatus, Loop, Meters
from carrierfloor.dsp.errors import SettingError
from tests.cli.moments import meters, moment
from tests.clips import ROOT

PATIENCE_S = 30.0
PICTURES = {"envelope", "trapezoid"}  # no part of a row
EVERY_KEY = {"elapsed_s": 754.0, "drive_db": 12.0, "negative_hold_pct": 94.9, "drift_ppm": 12.3}


def rows_of(path: Path) -> list[dict[str, Any]]:
    if path.suffix == ".csv":
        with path.open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))
    return [json.loads(line) for line in path.read_text("utf-8").splitlines()]


def test_a_row_says_all_of_a_moment() -> None:
    """Every number of the status, its meters, loop and latency is in the row, under some key."""
    names = iter(range(1000, 10_000))
    parts: dict[str, Any] = {}
    for part, kind in (("meters", Meters), ("loop", Loop), ("latency", Latency)):
        of_part: dict[str, Any] = {field.name: next(names) for field in fields(kind)}
        parts[part] = kind(**of_part)
    own = {field.name for field in fields(LiveStatus)} - PICTURES - set(parts)
    shown_only = {"clock", "voices", "input_device", "output_device", "sample_rate_hz"}
    shown_only |= {"block_frames"}
    parts |= {name: next(names) for name in own - shown_only}
    status = LiveStatus(**parts)
    values = list(live_rows.row_of(status).values())
    for number in range(1000, next(names)):
        assert values.count(number) == 1
    assert list(live_rows.row_of(status)) == list(live_rows.KEYS)


def test_time_is_local_with_its_zone() -> None:
    written = datetime.fromisoformat(live_rows.row_of(moment())["time"])
    assert written.utcoffset() is not None
    assert abs((datetime.now().astimezone() - written).total_seconds()) < 10.0


def test_what_is_no_number_is_null() -> None:
    odd = moment(
        meters=meters(input_peak_dbfs=-math.inf, density_pct=math.nan, gate_db=None),
        drift_ppm=math.inf,
    )
    row = json.loads(json.dumps(live_rows.row_of(odd), allow_nan=False))
    for key in ("input_peak_dbfs", "density_pct", "gate_gain_db", "drift_ppm"):
        assert row[key] is None
    assert str(live_rows.row_of(moment(drive_db=-0.00001))["drive_db"]) == "0.0"


def test_one_line_a_second(capsys: pytest.CaptureFixture[str]) -> None:
    lines = LiveLines()
    for n in range(63):  # 3.1 s, looked at every 50 ms
        lines.show(moment(elapsed_s=0.05 * n + 0.001))
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [int(row["elapsed_s"]) for row in rows] == [0, 1, 2, 3]
    assert all(list(row) == list(live_rows.KEYS) for row in rows)
    assert rows[0]["negative_hold_pct"] == 94.9
    assert rows[0]["voice_name"] == "Everyday"


def test_events() -> None:
    """Each change with its words; no change, no event."""
    first = moment()
    loop = first.loop
    expected: list[tuple[dict[str, Any], list[Event]]] = [
        ({}, []),
        ({"elapsed_s": 800.0, "meters": meters(negative_pct=1.0)}, []),
        ({"state": MUTED}, [Event("state", "muted")]),
        ({"state": SILENT, "message": "card gone"}, [Event("state", "silent: card gone")]),
        ({"message": "card gone"}, [Event("message", "card gone")]),
        ({"heard": "B", "drive_db": 3.0}, [Event("voice", "B Dense")]),
        ({"drive_db": 13.0}, [Event("drive", "+13.0 dB")]),
        ({"is_matched": False}, [Event("match", "off")]),
        ({"rig": "Other"}, [Event("rig", "Other")]),
        ({"marks": 4}, [Event("mark", "3"), Event("mark", "4")]),
        ({"loop": replace(loop, output_underflows=2)}, [Event("xrun", "0 in, 2 out")]),
        ({"loop": replace(loop, cuts=2)}, [Event("cut", "2")]),
        ({"loop": replace(loop, restarts=1)}, [Event("restart", "1")]),
        ({"recording_lost_s": 0.5}, [Event("recording", "0.50 s lost")]),
    ]
    for changes, events in expected:
        assert events_between(first, moment(**changes)) == events
    assert events_between(None, first) == [Event("start", "USB microphone, USB codec")]
    told = {event.name for _, events in expected for event in events} | {"start"}
    assert told == set(EVENTS)


@pytest.mark.parametrize("ending", [".jsonl", ".csv"])
def test_log(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"evening{ending}"
    with LiveLog(path) as log:
        for n in range(60):
            marks = 0 if n < 25 else 1
            state = {"state": SILENT, "message": 'a "quoted", ä message'} if n > 40 else {}
            log.show(moment(elapsed_s=0.05 * n + 0.001, marks=marks, **state))
    rows = rows_of(path)
    assert [row["event"] or "" for row in rows] == ["start", "", "", "mark", "", "state"]
    assert all(list(row) == list(LOG_KEYS) for row in rows)
    assert rows[3]["detail"] == "1"
    assert float(rows[3]["elapsed_s"]) == 1.251
    assert rows[5]["message"] == 'a "quoted", ä message'
    number = (lambda value: value) if ending == ".jsonl" else float
    for key, value in EVERY_KEY.items():
        assert key == "elapsed_s" or number(rows[0][key]) == value
    truth = True if ending == ".jsonl" else "true"
    assert rows[0]["voices_matched"] == truth
    nothing = None if ending == ".jsonl" else ""
    assert rows[1]["event"] == nothing


def test_header_of_csv_is_complete_at_once(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    log = LiveLog(path)
    assert path.read_text("utf-8").strip().split(",") == list(LOG_KEYS)
    log.close()


def test_refusals(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("something")
    with pytest.raises(SettingError, match=r"log\.csv: there is such a file already") as refused:
        LiveLog(path)
    assert "\n" not in str(refused.value)
    assert path.read_text() == "something"
    for name in ("log.txt", "log", "log.json"):
        with pytest.raises(SettingError, match=r"the ending must be \.jsonl or \.csv"):
            LiveLog(tmp_path / name)
        assert not (tmp_path / name).exists()
    with pytest.raises(SettingError, match="cannot write there: No such file or directory"):
        LiveLog(tmp_path / "no" / "log.csv")


def test_a_session_that_never_began_leaves_no_log(tmp_path: Path) -> None:
    for name in ("log.csv", "log.jsonl"):
        with LiveLog(tmp_path / name):
            assert (tmp_path / name).exists()
        assert not (tmp_path / name).exists()


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a disk that is always full")
def test_full_disk_ends_the_log_not_the_session(tmp_path: Path) -> None:
    log = LiveLog(tmp_path / "log.jsonl")
    log.show(moment())
    assert log.problem == ""
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, log._file.fileno())
    for n in range(5):
        log.show(moment(elapsed_s=1000.0 + n))
    assert log.problem.endswith("log.jsonl: No space left on device; the log ends here")
    log.close()
    os.close(full)


@pytest.mark.skipif(sys.platform == "win32", reason="signals are different there")
@pytest.mark.parametrize("ending", [".jsonl", ".csv"])
def test_a_kill_loses_at_most_the_last_second(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"log{ending}"
    code = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from carrierfloor.cli.live_log import LiveLog\n"
        "from tests.cli.moments import moment\n"
        "log = LiveLog(Path(sys.argv[1]))\n"
        "begun = time.monotonic()\n"
        "while True:\n"
        "    elapsed_s = time.monotonic() - begun\n"
        "    log.show(moment(elapsed_s=elapsed_s))\n"
        "    print(elapsed_s, flush=True)\n"
        "    time.sleep(0.02)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(path)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:
        assert process.stdout is not None
        elapsed_s, end = 0.0, time.monotonic() + PATIENCE_S
        while elapsed_s < 2.5 and time.monotonic() < end:
            elapsed_s = float(process.stdout.readline())
        process.send_signal(signal.SIGKILL)
    rows = rows_of(path)
    assert rows[-1]["drift_ppm"] in (12.3, "12.3")
    assert float(rows[-1]["elapsed_s"]) > elapsed_s - 1.1
