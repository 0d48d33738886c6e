"""A stage from another distribution, installed by pip, used from a voice file."""

import importlib
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf

from carrierfloor.cli.main import main
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.errors import SettingError
from carrierfloor.dsp.stage import HOP
from carrierfloor.dsp.voice import Voice, voice_from_table
from tests import clips
from tests.reference import nasty
from tests.test_guarantee import assert_held
from tests.test_streaming import awkward_sound, cuts_of

# Plain Python, written against what DEVELOPERS.md tells: a design with settings, a stage.
MODULE = '''
from collections import deque
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from carrierfloor.dsp.settings import setting
from carrierfloor.dsp.stage import Block, Context, Stage, StageDesign


class Echo(Stage):
    """Add the sound of some time ago; the whole stage is that late."""

    def __init__(self, delay_samples: int, level: float) -> None:
        self.latency_samples = delay_samples
        self.level = level
        self.reset()

    def reset(self) -> None:
        self.past = deque(np.zeros(2 * self.latency_samples))
        self.lengths = set()

    def process(self, block: Block) -> Block:
        self.lengths.add(len(block))
        out = np.empty_like(block)
        for i, sample in enumerate(block):
            self.past.append(sample)
            out[i] = self.past[-1 - self.latency_samples] + self.level * self.past.popleft()
        return out

    @property
    def meters(self) -> dict[str, float]:
        return {"blocks": float(len(self.lengths)), "block_samples": float(max(self.lengths))}


@dataclass(frozen=True, kw_only=True)
class EchoDesign(StageDesign):
    """An echo."""

    kind: ClassVar[str] = "tiny_echo"

    delay_samples: int = setting(48, unit="samples", low=1, high=480, effect="how late")
    echo_level: float = setting(0.5, low=0.0, high=1.0, effect="how loud")

    def build(self, context: Context) -> Echo:
        return Echo(self.delay_samples, self.echo_level)
'''
METADATA = "Metadata-Version: 2.1\nName: tiny-echo\nVersion: 1.0\n"
WHEEL = "Wheel-Version: 1.0\nGenerator: a test\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
ENTRY_POINTS = "[carrierfloor.stages]\ntiny_echo = tiny_echo:EchoDesign\n"
VOICE = """
name = "with an echo"
[[stages]]
kind = "drive"
drive_db = {drive_db}
[[stages]]
kind = "tiny_echo"
delay_samples = 100
[[stages]]
kind = "low_pass"
"""


def write_wheel(folder: Path) -> Path:
    """Write the distribution as a wheel, as any build tool would."""
    wheel = folder / "tiny_echo-1.0-py3-none-any.whl"
    info = "tiny_echo-1.0.dist-info"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr("tiny_echo.py", MODULE)
        archive.writestr(f"{info}/METADATA", METADATA)
        archive.writestr(f"{info}/WHEEL", WHEEL)
        archive.writestr(f"{info}/entry_points.txt", ENTRY_POINTS)
        archive.writestr(f"{info}/RECORD", "")
    return wheel


@pytest.fixture(scope="module", autouse=True)
def installed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let pip install it into a folder of its own, and look for packages there too."""
    folder = tmp_path_factory.mktemp("plugin")
    wheel, site = write_wheel(folder), folder / "site"
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps"]
    subprocess.run([*pip, "--target", str(site), str(wheel)], check=True)
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(site)
        importlib.invalidate_caches()
        yield
    sys.modules.pop("tiny_echo", None)


def voice(drive_db: float = 0.0) -> Voice:
    return voice_from_table(tomllib.loads(VOICE.format(drive_db=drive_db)), "echo.toml")


def without_plugin(one: Voice) -> Voice:
    kept = tuple(stage for stage in one.stages if stage.kind != "tiny_echo")
    return Voice(name="without", stages=kept)


def test_it_is_heard_and_adds_its_latency() -> None:
    """A quiet click comes out where the stated delay says, and its echo 100 samples later."""
    chain, plain = Chain(voice(), clips.rig()), Chain(without_plugin(voice()), clips.rig())
    assert chain.latency_samples == plain.latency_samples + 100
    click = np.zeros(4800)
    click[2400] = 0.1
    out, expected = clips.run(chain, click), clips.run(plain, click)
    one = np.concatenate((np.zeros(100), expected))
    np.testing.assert_allclose(out, one + 0.5 * np.roll(one, 100), atol=1e-9)


def test_it_gets_whole_hops_and_shows_its_meters() -> None:
    chain = Chain(voice(), clips.rig())
    clips.run(chain, awkward_sound(), cuts_of(len(awkward_sound()), 0))
    assert chain.meters["tiny_echo.block_samples"] == HOP
    assert chain.meters["tiny_echo.blocks"] == 1
    assert not chain.is_compiled


@pytest.mark.parametrize("block", [7, 480, 0])
def test_cutting_changes_no_bit(block: int) -> None:
    samples = awkward_sound()[:20_000]
    chain = Chain(voice(12.0), clips.rig())
    whole = clips.run(chain, samples)
    chain.reset()
    np.testing.assert_array_equal(clips.run(chain, samples, cuts_of(len(samples), block)), whole)


def test_the_carrier_stays_up_whatever_it_does() -> None:
    paths = nasty.PATHS["second-order 40 Hz and 7 kHz"]
    card = clips.run(Chain(voice(20.0), clips.rig(paths)), clips.sound("M2_harvard_phrases"))
    assert assert_held(card, paths).trough > 0.9


def test_its_settings_are_checked() -> None:
    row = {"kind": "tiny_echo", "echo_level": 3}
    with pytest.raises(
        SettingError, match=r"echo\.toml: stage 1 \(tiny_echo\).*echo_level.*0 to 1"
    ):
        voice_from_table({"name": "x", "stages": [row]}, "echo.toml")
    row = {"kind": "tiny_echo", "echo_levle": 0.3}
    with pytest.raises(SettingError, match="did you mean echo_level"):
        voice_from_table({"name": "x", "stages": [row]}, "echo.toml")


def test_the_command_uses_it(tmp_path: Path) -> None:
    file = tmp_path / "echo.toml"
    file.write_text(VOICE.format(drive_db=6.0), "utf-8")
    source, target = clips.SPOKEN["whisper_male"], tmp_path / "out.wav"
    assert main(["process", str(source), str(target), "--voice", str(file)]) == 0
    assert sf.info(target).frames == sf.info(source).frames
