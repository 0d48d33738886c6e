"""``level scope`` on a real sound server, with an operator who reads what really arrives.

The operator is the test: it hears the far end of the cable, knows what its transmitter makes of
it, and types crest and trough of that.
"""

import json
import os
import re
import select
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest

from tests.audio_server import JackServer, Recording, wait_for
from tests.cli.files import command, write_text
from tests.tried_again import tried_again

pytestmark = pytest.mark.device

RATE_HZ = 48_000
FULL = -(10 ** (-30.0 / 20))  # the sample that makes +100 %
CARRIER = 4.0
RIG = 'name = "on the bench"\n'
PATIENCE_S = 60.0
PROMPT = re.compile(r"(-?[\d.]+) dBFS\. CREST TROUGH: $")


class Operator:
    """Somebody at the terminal, with a scope at the antenna."""

    def __init__(self, process: "subprocess.Popen[bytes]", recording: Recording) -> None:
        self._process, self._recording = process, recording
        self.said = ""

    def wait_for(self, ending: "re.Pattern[str]") -> "re.Match[str]":
        """Read what the command says until it waits for an answer."""
        assert self._process.stderr is not None
        deadline = time.monotonic() + PATIENCE_S
        while not (found := ending.search(self.said)):
            left_s = deadline - time.monotonic()
            ready, _, _ = select.select([self._process.stderr], [], [], max(0.0, left_s))
            assert ready, self.said
            piece = os.read(self._process.stderr.fileno(), 4096)
            assert piece, self.said
            self.said += piece.decode()
        return found

    def type(self, words: str) -> None:
        assert self._process.stdin is not None
        self.said = ""
        self._process.stdin.write(words.encode() + b"\n")
        self._process.stdin.flush()

    def heights(self, level_dbfs: float) -> tuple[float, float]:
        """Wait until the level has arrived, and read crest and trough to 0.02 divisions."""
        deadline = time.monotonic() + PATIENCE_S
        while True:
            heard = self._recording.samples[-RATE_HZ // 5 :, 0].astype(float)
            early, late = (
                float(np.abs(part).max(initial=0.0)) for part in np.array_split(heard, 2)
            )
            if abs(20 * np.log10(max(late, 1e-9)) - level_dbfs) < 0.02 and late == pytest.approx(
                early, rel=1e-3
            ):
                m = heard / FULL
                crest, trough = CARRIER * (1 + m.max()), CARRIER * max(0.0, 1 + m.min())
                return round(50 * crest) / 50, round(50 * trough) / 50
            assert time.monotonic() < deadline, (level_dbfs, late)
            time.sleep(0.05)


@tried_again
def test_an_operator_reads_a_scope(tmp_path: Path) -> None:
    rig = write_text(tmp_path / "rig.toml", RIG)
    report = tmp_path / "level.json"
    arguments = ["--rig", rig, "--output", "cable_a", "--report", report]
    with (
        JackServer() as jack,
        jack.recording("cable_a") as recording,
        subprocess.Popen(
            command("level", "scope", *arguments),
            env=jack.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        ) as process,
    ):
        operator = Operator(process, recording)
        operator.wait_for(re.compile(r"Height of the carrier: $"))
        assert "dummy\nload" in operator.said
        operator.type(f"{CARRIER:g}")
        levels: list[float] = []
        while process.poll() is None and len(levels) < 30:
            level_dbfs = float(operator.wait_for(PROMPT)[1])
            levels.append(level_dbfs)
            crest, trough = operator.heights(level_dbfs)
            if len(levels) == 5:  # what is no reading is asked for again
                operator.type("high")
                operator.wait_for(PROMPT)
                operator.type(f"{trough} {crest}")
                operator.wait_for(PROMPT)
            is_uneven = "uneven" in operator.said
            operator.type("" if len(levels) == 1 else f"{crest:.2f} {trough:.2f}")
            if is_uneven:
                break
        out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, err
        wait_for(lambda: not recording.samples[-4800:].any(), "silence")
    found = json.loads(report.read_text("utf-8"))
    assert found["level"]["full_modulation_dbfs"] == pytest.approx(-30.0, abs=0.1)
    assert found["level"]["polarity"] == "inverted"
    assert len(found["readings"]) == len(levels) - 2  # one was skipped, one told the polarity
    assert max(row["negative_pct"] for row in found["readings"]) == pytest.approx(95.0, abs=2.0)
    assert "100 % at 1 kHz takes" in out.decode()
    assert 'polarity = "inverted"' in rig.read_text()
