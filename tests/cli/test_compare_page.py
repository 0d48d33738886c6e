"""The page of ``compare`` as a file: whole, self-contained, small enough, its sound unharmed."""

import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from pyebur128 import MeasurementMode, R128State, get_loudness_global

from carrierfloor.cli import compare_page
from carrierfloor.cli.compare_content import Content, Phrase, Track
from carrierfloor.dsp.errors import SettingError
from tests.page_content import GAINS, RATE_HZ, content

LARGEST_BYTES = 12_000_000


class Scripts(HTMLParser):
    """Collects the script elements as a browser cuts them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self._name: str | None = None
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._name = (dict(attrs).get("id") or "") if tag == "script" else None

    def handle_endtag(self, tag: str) -> None:
        self._name = None

    def handle_data(self, data: str) -> None:
        if self._name is not None:
            self.found[self._name] = self.found.get(self._name, "") + data


def _loudness(samples: np.ndarray) -> float:
    state = R128State(1, RATE_HZ, MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples, np.float64), len(samples))
    return float(get_loudness_global(state))


def _track(samples: np.ndarray) -> Track:
    return Track(samples=samples, rate_hz=RATE_HZ, lu=-20.0, lu_before=-20.0, gain_db=0.0)


def test_a_page_of_15_seconds_in_four_versions_is_small_enough() -> None:
    text = compare_page.page(content(seconds=(15.0,), versions=4))
    assert 4_000_000 < len(text.encode()) < LARGEST_BYTES


def test_sound_comes_back_in_step_and_as_loud() -> None:
    """libsndfile's own FLAC reader: within dither of the samples; loudness by pyebur128."""
    for version in content().phrases[0].versions:
        for track in version.tracks.values():
            read, rate_hz = sf.read(io.BytesIO(compare_page.flac(track)))
            assert rate_hz == RATE_HZ
            assert np.max(np.abs(read - track.samples)) <= 1.5 / 2**15
            assert _loudness(read) == pytest.approx(_loudness(track.samples), abs=0.01)


def test_sound_beyond_full_scale_is_never_stored() -> None:
    with pytest.raises(ValueError, match="beyond full scale"):
        compare_page.flac(_track(np.full(100, 1.01)))


def test_names_cannot_end_a_script() -> None:
    """One name holds ``</script>``; the words come back whole through a parser of HTML."""
    scripts = Scripts(compare_page.page(content(versions=4)))
    words = json.loads(scripts.found["content"])
    assert [version["name"] for version in words["phrases"][0]["versions"]] == list(GAINS)
    assert len([name for name in scripts.found if name.startswith("sound-")]) == 2 * 4 * 3


def test_page_names_nothing_outside_itself() -> None:
    text = compare_page.page(content())
    without_data = re.sub(r'<script type="[^"]+" id.*?</script>', "", text, flags=re.S)
    assert re.findall(r"(?:https?:)?//[\w.]+\.\w+", without_data) == []
    assert re.findall(r"""\b(?:src|href)\s*=\s*["'](?!data:)""", without_data) == []
    assert "default-src 'none'" in text


def test_every_script_is_in_the_page() -> None:
    folder = Path(compare_page.__file__).parent / "page"
    assert sorted(compare_page.SCRIPTS) == sorted(file.name for file in folder.glob("*.js"))


def test_a_page_that_is_there_is_replaced_whole(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text("before")
    compare_page.write_page(content(), file)
    assert file.read_text("utf-8").rstrip().endswith("</html>")
    assert list(tmp_path.iterdir()) == [file]


def test_nothing_is_left_of_a_page_that_failed(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text("before")
    given = content()
    loud = {**given.phrases[0].versions[0].tracks, "card": _track(np.full(76_800, 1.5))}
    versions = [
        replace(given.phrases[0].versions[0], tracks=loud),
        *given.phrases[0].versions[1:],
    ]
    broken = replace(given, phrases=[Phrase(name="loud", versions=versions)])
    with pytest.raises(ValueError, match="full scale"):
        compare_page.write_page(broken, file)
    assert file.read_text() == "before"
    assert list(tmp_path.iterdir()) == [file]


def test_a_place_that_cannot_be_written_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"--page .*: there is no folder"):
        compare_page.check_page(tmp_path / "none" / "page.html")
    with pytest.raises(SettingError, match=r"the ending must be \.html"):
        compare_page.check_page(tmp_path / "page.txt")
    with pytest.raises(SettingError, match="cannot write there"):
        compare_page.check_page(_folder(tmp_path / "page.html"))
    with pytest.raises(SettingError, match=r"--page .*No such file"):
        compare_page.write_page(content(), tmp_path / "none" / "page.html")


def _folder(path: Path) -> Path:
    path.mkdir()
    return path


def test_versions_out_of_step_are_no_content() -> None:
    given = content()
    first = given.phrases[0].versions[0]
    short = replace(first, tracks={**first.tracks, "card": _track(np.zeros(10))})
    with pytest.raises(ValueError, match="tracks at 'card' differ"):
        _with(given, short)
    with pytest.raises(ValueError, match="same versions"):
        _with(given, replace(first, name="another"))


def _with(given: Content, version: object) -> Content:
    versions = [version, *given.phrases[0].versions[1:]]
    first = replace(given.phrases[0], versions=versions)  # type: ignore[arg-type]
    return replace(given, phrases=[first, *given.phrases[1:]])
