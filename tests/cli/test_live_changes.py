"""Voice and rig files that are changed while speech runs: taken over or refused, never broken."""

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests import clips
from tests.audio_server import RATE_HZ, JackServer
from tests.clips import ROOT
from tests.live_command import LiveCommand, live
from tests.live_heard import FULL_MODULATION, PATH, TOLERANCE
from tests.reference import antenna
from tests.tried_again import tried_again

pytestmark = pytest.mark.device

VOICE = (ROOT / "presets/voices/everyday.toml").read_text("utf-8")
RIG = (ROOT / "presets/rigs/plate-modulated.toml").read_text("utf-8")
CALM_PERIOD = 2048  # of JACK: a talker in Python that comes late counts as a lost cycle
SETTLING_S = 2.0


def write(path: Path, text: str) -> None:
    """Write into the file itself."""
    path.write_text(text, "utf-8")


def rename(path: Path, text: str) -> None:
    """Let another file take its name, as many editors do."""
    other = path.with_suffix(".new")
    other.write_text(text, "utf-8")
    other.replace(path)


def changed(session: LiveCommand, path: Path, save: Callable[[Path, str], None], text: str) -> str:
    """Change a document; return what the session says to it."""
    before = session.lines[-1]["message"]
    save(path, text)
    session.wait_for(lambda line: bool(line["message"] != before), "a message", 20.0)
    time.sleep(SETTLING_S)
    return str(session.lines[-1]["message"])


def spoken(seconds: float) -> np.ndarray[tuple[int], np.dtype[np.float32]]:
    return np.resize(clips.sound("M2_harvard_phrases"), round(seconds * RATE_HZ)).astype(np.float32)


@pytest.mark.slow
@tried_again
def test_documents_are_taken_over_while_live(tmp_path: Path) -> None:
    voice, rig = tmp_path / "voice.toml", tmp_path / "rig.toml"
    write(voice, VOICE)
    write(rig, RIG)
    quiet = VOICE.replace('"Everyday, 4 kHz"', '"Less"').replace("drive_db = 11.2", "drive_db = 5")
    lower = RIG.replace("negative_limit_pct = 95.0", "negative_limit_pct = 80.0")
    lower += "\n[equalise]\nenabled = true\nlowest_hz = 30.0\n"
    with (
        JackServer(CALM_PERIOD) as server,
        server.recording("cable_b") as listener,
    ):
        with live(server, ("cable_a", "cable_b"), "--voice", voice, "--rig", rig) as session:
            session.wait_for_sound()
            with server.talker("cable_a", spoken(90.0)):
                time.sleep(SETTLING_S)
                assert changed(session, voice, write, quiet) == "voice A changed: Less"
                assert (session.lines[-1]["voice_name"], session.lines[-1]["drive_db"]) == (
                    "Less",
                    5.0,
                )
                message = changed(
                    session, voice, write, quiet.replace("ratio = 3.0", "ratio = 0.1")
                )
                assert message.startswith(f"not taken over: {voice}")
                assert "ratio" in message
                assert session.lines[-1]["voice_name"] == "Less"
                assert changed(session, voice, rename, VOICE) == "voice A changed: Everyday, 4 kHz"
                assert session.lines[-1]["drive_db"] == 11.2
                message = changed(session, rig, rename, RIG.replace("95.0", "120.0"))
                assert message.startswith(f"not taken over: {rig}")
                assert session.lines[-1]["negative_limit_pct"] == 95.0
                assert changed(session, rig, write, lower).startswith("rig changed: ")
                assert session.lines[-1]["negative_limit_pct"] == 80.0
                assert session.lines[-1]["equalised"] is True
                after = len(listener.samples)
                time.sleep(3 * SETTLING_S)  # the leveller begins anew
                assert session.lines[-1]["restarts"] == 0
        heard = listener.samples[:, 0].astype(float)
    assert limits_held(heard, 0.95) > 0.90
    assert limits_held(heard[after:], 0.80) > 0.75


def limits_held(heard: clips.Array, negative_limit: float) -> float:
    """Assert that the limits hold at the antenna; return the deepest trough.

    What is cut out of speech begins with a step, which is no fault of what was sent: a ramp
    is put there.
    """
    ramp = np.minimum(np.arange(len(heard)) / RATE_HZ, 1.0)
    verdict = antenna.judge(heard * ramp, RATE_HZ, FULL_MODULATION, PATH, 8)
    print("trough, crest", verdict.trough, verdict.crest)
    assert verdict.trough <= negative_limit + TOLERANCE
    assert verdict.crest <= 1.25 + TOLERANCE
    assert verdict.cutoffs == 0
    return verdict.trough
