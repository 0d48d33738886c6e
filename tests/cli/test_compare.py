"""``compare``: what is in the page's sound, beside what process, predict and pyebur128 say."""

import base64
import io
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile as sf
from pyebur128 import MeasurementMode, R128State, get_loudness_global

from tests.cli.files import (
    NOTHING,
    PATH_RIG,
    refusal,
    run,
    talk,
    write_sound,
    write_text,
)
from tests.clips import Array, sound

Capsys = pytest.CaptureFixture[str]
POINTS = ("card", "antenna", "receiver")
STEP = 2.0**-15
LEAD = 1234  # samples by which a file is late
DITHERED = 1.6 * STEP  # rounding and two dithers


class Page:
    """A page as a browser would read it."""

    def __init__(self, file: Path) -> None:
        text = file.read_text("utf-8")
        data = re.search(r'type="application/json" id="content">(.*?)</script>', text, re.DOTALL)
        assert data is not None
        self.text = text
        self.content: dict[str, Any] = json.loads(data[1])
        self.versions: list[dict[str, Any]] = self.content["phrases"][0]["versions"]

    def sound(self, version: int, point: str) -> Array:
        """The samples of a version of the first phrase."""
        found = re.search(rf'id="sound-0-{version}-{point}">(.*?)</script>', self.text)
        assert found is not None
        samples, rate_hz = sf.read(io.BytesIO(base64.b64decode(found[1])))
        assert rate_hz == 48_000
        return np.asarray(samples)

    def level(self, version: int, point: str) -> Mapping[str, float]:
        """Its loudness, and by how much it was changed to match."""
        levels: Mapping[str, float] = self.versions[version]["levels"][point]
        return levels

    def factor(self, version: int, sent: Array, inside: slice = slice(None)) -> float:
        """See that the sound at the sound card is this; return what it was scaled by."""
        heard, sent = self.sound(version, "card")[inside], sent[inside]
        scale = float(heard @ sent / (sent @ sent))
        np.testing.assert_allclose(heard, scale * sent, atol=DITHERED)
        return scale

    def gain(self, version: int) -> float:
        """By how much it was changed to match, at the sound card."""
        return float(10 ** (self.level(version, "card")["gain_db"] / 20))

    def figures(self, version: int, point: str) -> Mapping[str, str]:
        """Names and values."""
        return {row["name"]: row["value"] for row in self.versions[version]["figures"][point]}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A phrase, a rig, a voice without stages, and what ``process`` makes of the phrase."""
    made = tmp_path_factory.mktemp("compare")
    write_sound(made / "phrase.wav", sound("F1_harvard_phrases")[48_000:144_000])
    write_text(made / "rig.toml", PATH_RIG)
    write_text(made / "nothing.toml", NOTHING)
    assert processed(made, "processed.wav") == 0
    samples, _ = sf.read(made / "processed.wav")
    write_sound(made / "late.wav", np.concatenate([np.zeros(LEAD), samples]))
    return made


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    """Four versions of the phrase: a voice, unprocessed, a file, the limiter alone."""
    assert compared(folder, "page.html", "everyday", "unprocessed", f"file={folder}/late.wav",
                    f"{folder}/nothing.toml") == 0  # fmt: skip
    return Page(folder / "page.html")


def processed(folder: Path, name: str, *options: object) -> int:
    """Run ``process`` on the phrase."""
    return run("process", folder / "phrase.wav", folder / name, "--rig", folder / "rig.toml",
               "--subtype", "FLOAT", "--no-compare", *options)  # fmt: skip


def compared(
    folder: Path,
    page: str,
    *specs: str,
    phrase: str = "phrase.wav",
    options: tuple[object, ...] = (),
) -> int:
    """Run the command."""
    versions = [word for spec in specs for word in ("--with", spec)]
    return run("compare", folder / phrase, *versions, "--rig", folder / "rig.toml",
               "--page", folder / page, *options)  # fmt: skip


@pytest.mark.parametrize("point", POINTS)
def test_all_versions_are_equally_loud(page: Page, point: str) -> None:
    """Within 0.1 LU of each other as pyebur128 hears the 16 bits that the browser decodes."""
    lufs = []
    for version in range(4):
        samples = page.sound(version, point)
        state = R128State(1, 48_000, MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(samples), len(samples))
        lufs.append(get_loudness_global(state))
        stated = page.level(version, point)
        assert lufs[-1] == pytest.approx(stated["lufs"], abs=0.05)
        assert stated["gain_db"] <= 0.0
        assert np.abs(samples).max() < 1.0
    assert max(lufs) - min(lufs) < 0.1


def test_a_voice_is_what_process_makes(page: Page, folder: Path) -> None:
    """At the sound card, to the sample: the same chain, its delay taken out."""
    sent, _ = sf.read(folder / "processed.wav")
    assert page.factor(0, sent) == pytest.approx(page.gain(0), rel=1e-3)


def test_unprocessed_is_the_phrase(page: Page, folder: Path) -> None:
    """Scaled, nothing else; its trough as ``predict`` sees it is the limit."""
    page.factor(1, sf.read(folder / "phrase.wav")[0])
    assert page.figures(1, "antenna")["Negative peak"] == "95.0"
    card = write_sound(folder / "unprocessed.wav", page.sound(1, "card") / page.gain(1))
    report = folder / "unprocessed.json"
    assert run("predict", card, "--rig", folder / "rig.toml", "--report", report) == 0
    found = json.loads(report.read_text("utf-8"))["antenna"]
    assert found["negative_peak_pct"] == pytest.approx(95.0, abs=0.1)


def test_a_late_file_is_put_in_step(page: Page, folder: Path) -> None:
    """The chain's phase rotation is all that may stay: 0.3 ms; the lag is told."""
    sent, heard = sf.read(folder / "processed.wav")[0], page.sound(2, "card")
    lags = range(-20, 21)
    likeness = [float(heard[100:-100] @ np.roll(sent, lag)[100:-100]) for lag in lags]
    off = lags[int(np.argmax(likeness))]
    assert abs(off) < 15
    assert any(f"({LEAD - off} samples) late" in note for note in page.content["notes"])
    inside = slice(20, -20)
    assert page.factor(2, np.roll(sent, off), inside) == pytest.approx(page.gain(2), rel=1e-3)


@pytest.mark.parametrize("point", POINTS)
def test_versions_are_in_step_to_the_sample(page: Page, point: str) -> None:
    """The limiter alone takes 7.5 ms; beside the untouched phrase nothing is left of them."""
    untouched, limited = page.sound(1, point), page.sound(3, point)
    assert len(untouched) == len(limited) == 96_000
    spectrum = np.fft.rfft(limited, 1 << 18) * np.conj(np.fft.rfft(untouched, 1 << 18))
    assert np.argmax(np.fft.irfft(spectrum)) == 0


def test_figures_are_those_of_process(page: Page, folder: Path) -> None:
    report = folder / "report.json"
    assert processed(folder, "again.wav", "--report", report) == 0
    found = json.loads(report.read_text("utf-8"))
    antenna, card = page.figures(0, "antenna"), page.figures(0, "card")
    for name, key in (("Negative peak", "negative_peak_pct"), ("Positive peak",
                      "positive_peak_pct"), ("Modulation density", "density_pct")):  # fmt: skip
        assert float(antenna[name]) == pytest.approx(found["antenna"][key], abs=0.1)
    assert int(antenna["Carrier cut-offs"]) == found["antenna"]["cutoffs"] == 0
    assert float(antenna["Peak power"]) == pytest.approx(found["antenna"]["pep_w"], abs=1.0)
    assert float(card["Peak"]) == pytest.approx(found["card"]["peak_dbfs"], abs=0.1)
    removed = found["chain"]["clipper_removed_db"]
    assert float(card["Clipper removed"]) == pytest.approx(removed, abs=0.1)
    assert float(card["Delay taken out"]) == pytest.approx(found["chain"]["latency_ms"], abs=0.1)
    assert page.figures(1, "card")["Clipper removed"] == "-"  # nothing clipped there
    assert float(page.figures(0, "receiver")["Intelligibility"]) > float(
        page.figures(1, "receiver")["Intelligibility"]
    )


def test_pictures_have_the_same_size(page: Page) -> None:
    for version in page.versions:
        assert [picture["name"] for picture in version["pictures"]] == ["trapezoid", "spectrum"]
    urls = [picture["url"] for version in page.versions for picture in version["pictures"]]
    heads = [base64.b64decode(url.partition(",")[2])[16:24] for url in urls]  # PNG: width, height
    assert len(set(heads)) == 1


def test_the_seed_decides(folder: Path) -> None:
    """The same command makes the same page; another seed changes nothing but the receiver."""
    short = sound("F1_harvard_phrases")[48_000:84_000]
    write_sound(folder / "short.wav", short)
    pages = []
    for name, seed in (("a.html", 1), ("b.html", 1), ("c.html", 2)):
        options = ("--seed", seed, "--fading", "selective")
        assert compared(folder, name, f"{folder}/nothing.toml", "unprocessed", phrase="short.wav",
                        options=options) == 0  # fmt: skip
        pages.append(Page(folder / name))
    assert pages[0].text == pages[1].text
    np.testing.assert_array_equal(pages[0].sound(0, "antenna"), pages[2].sound(0, "antenna"))
    assert not np.array_equal(pages[0].sound(0, "receiver"), pages[2].sound(0, "receiver"))
    assert "selective fading" in pages[0].content["receiver"]


def test_what_is_printed(folder: Path, capsys: Capsys) -> None:
    loud = write_sound(folder / "loud.wav", -talk(48_000, 2.0, peak=0.9))
    specs = (f"--with={loud},name=Too hot", "--with=everyday,negative-limit=80")
    options = ("--rig", folder / "rig.toml", "--page", folder / "loud.html")
    assert run("compare", loud, *specs, *options) == 0
    out = capsys.readouterr().out
    assert "negative-limit 80" in out
    assert re.search(r"Negative peak +\d+\.\d % +80\.0 %", out)
    assert re.search(r"Too hot: the carrier goes off \d+ times", out)
    assert out.rstrip().endswith(f"Page: {folder / 'loud.html'}")


def test_rigs_that_know_more_or_less(folder: Path, capsys: Capsys) -> None:
    """One has a carrier and one has none: its power is a dash, and each explains its own figure."""
    without = 'name = "bare"' + PATH_RIG[PATH_RIG.index("[level]") - 1 :]
    rig = write_text(folder / "bare.toml", without)
    assert compared(folder, "power.html", f"everyday,rig={rig}", "gentle") == 0
    assert re.search(r"Peak power +- +\d+ W", capsys.readouterr().out)
    page = Page(folder / "power.html")
    found = [page.versions[version]["figures"]["antenna"] for version in (0, 1)]
    bare, full = (next(row for row in rows if row["name"] == "Peak power") for rows in found)
    assert bare["help"] == "peak envelope power; the rig has no [carrier]"
    assert full["help"] == "peak envelope power; 400 W allowed"


def test_what_is_said_beside_the_figures(tmp_path: Path, capsys: Capsys) -> None:
    """Of a file that ends too soon, and of a rig whose paths cannot all be heard, each once."""
    phrase = write_sound(tmp_path / "phrase.wav", sound("F1_harvard_phrases")[48_000:96_000])
    half = write_sound(tmp_path / "half.wav", sound("F1_harvard_phrases")[48_000:78_000])
    second = PATH_RIG[PATH_RIG.index("[[paths]]") :].replace("transformer", "other band")
    rig = write_text(tmp_path / "rig.toml", PATH_RIG + second)
    specs = (f"--with={half}", "--with=unprocessed,rig=dc-coupled")
    assert run("compare", phrase, *specs, "--rig", rig, "--page", tmp_path / "x.html") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.count("Note: half: the file lacks 0.4 s of the phrase; there it is silent.") == 1
    assert "Note: half: what is heard went through the path 'transformer'" in said
    assert said.count("what is heard") == 1  # the other rig has one path
    assert "another clock" not in said


REFUSALS = [
    ([], "nothing to do: give --page"),
    (["--page", "x.txt"], "the ending must be .html"),
    (["--page", "gone/x.html"], "there is no folder gone"),
    (["--page", "x.html"], "0 versions given; it takes 2 to 9"),
    (["--page", "x.html", "--with", "dense"], "1 version given"),
    (["--page", "x.html", "--with", "dense", "--with", "dense"], "two versions are called 'dense'"),
    (["--page", "x.html", "--with", "dense", "--with", "nobody"], "--with nobody"),
    (["--page", "x.html", "--with", "dense", "--with", "gone.wav"], "gone.wav"),
    (["--page", "x.html", "--with", "dense", "--with", "other.wav"], "does not hold this phrase"),
    (["--page", "x.html", "--with", "dense", "--with", "gentle", "--bandwidth", 99], "1500 to"),
    (["--page", "x.html", "--with", "dense", "--with", "gentle", "--fading", "x"], "--fading"),
    (["other.wav", "--page", "x.html", "--with", "dense", "--with", "other.wav"], "one PHRASE"),
    (["phrase.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "given twice"),
    (["silent.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "silent.wav: "),
    (["long.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "longer than 120 s"),
    (["half.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "122 s together"),
    (["gone.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "gone.wav: "),
    (["both.wav", "--page", "x.html", "--with", "dense", "--with", "gentle"], "cancels them"),
]  # fmt: skip


@pytest.mark.parametrize(("arguments", "words"), REFUSALS, ids=[w for _, w in REFUSALS])
def test_refusals(
    arguments: list[object], words: str, tmp_path: Path, monkeypatch: Any, capsys: Capsys
) -> None:
    monkeypatch.chdir(tmp_path)
    write_sound(Path("phrase.wav"), talk(48_000, 2.0))
    write_sound(Path("other.wav"), np.random.default_rng(1).normal(0.0, 0.1, 48_000))
    write_sound(Path("silent.wav"), np.zeros(48_000))
    write_sound(Path("both.wav"), np.outer(talk(8000, 1.0), [1.0, -1.0]), rate_hz=8000)
    write_sound(Path("long.wav"), np.zeros(121 * 8000), rate_hz=8000)
    write_sound(Path("half.wav"), np.zeros(120 * 8000), rate_hz=8000)
    assert words in refusal(capsys, "compare", "phrase.wav", *arguments)
    assert not list(tmp_path.glob("*.html*"))
