"""Listening in the page: what a real browser plays when versions are switched."""

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from playwright.sync_api import Browser, Page, expect
from pyebur128 import MeasurementMode, R128State, get_loudness_global
from scipy import signal

from carrierfloor.cli import compare_page
from tests import page_browser
from tests.clips import Array
from tests.page_content import GAINS, RATE_HZ, content

FADE_SAMPLES = 480  # 10 ms, as the page says
NEAR_SAMPLES = 2400  # 50 ms to each side of a switch


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with page_browser.chromium() as browser:
        yield browser


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "page.html"
    compare_page.write_page(content(), file)
    return file


def _stored(point: str, phrase: int = 0) -> list[Array]:
    """Return the versions as libsndfile reads them from the page."""
    tracks = [version.tracks[point] for version in content().phrases[phrase].versions]
    return [sf.read(io.BytesIO(compare_page.flac(track)))[0] for track in tracks]


def _played_s(page: Page, seconds: float) -> None:
    """Wait until so much has been played: the browser's audio clock decides, not this one."""
    page.evaluate(
        """async (seconds) => {
          const { context } = window.comparePage.app.player.output;
          const until = context.currentTime + seconds;
          while (context.currentTime < until) await new Promise((go) => setTimeout(go, 10));
        }""",
        seconds,
    )


def _rise(frame: int, at_s: float) -> Array:
    """Return a raised cosine over 10 ms: 0 before, 1 after (closed form)."""
    passed = (frame_count(frame) - at_s * RATE_HZ) / FADE_SAMPLES
    return np.asarray((1.0 - np.cos(np.pi * np.clip(passed, 0.0, 1.0))) / 2.0)


def frame_count(frames: int) -> Array:
    return np.arange(frames, dtype=np.float64)


class Heard:
    """What the player sent out, beside what ideal switching would have sent.

    Ideal: all versions run from one instant and repeat; at each switch one raised cosine of 10 ms
    falls while another rises.  Only the instants come from the page.
    """

    def __init__(self, page: Page, order: list[int], versions: list[Array]) -> None:
        self.first, self.samples = page_browser.tapped(page)
        asked = page.evaluate("window.asked")
        ((begun_s, offset_s), *others) = asked["starts"]
        assert all(start == [begun_s, offset_s] for start in others)
        rises_s = [when for when, start, end in asked["curves"] if (start, end) == (0.0, 1.0)]
        assert rises_s[0] == begun_s  # the fade in; after it one for each switch
        self.switches_s = rises_s[1:]
        assert len(self.switches_s) == len(order) - 1
        self.order = order
        place = np.arange(self.first, self.first + len(self.samples)) - round(begun_s * RATE_HZ)
        self.repeated = [
            version[(place + round(offset_s * RATE_HZ)) % len(version)] for version in versions
        ]
        self.place = place
        self.begun = round(begun_s * RATE_HZ) - self.first
        length = len(versions[0])
        # Where the end blends into the beginning.
        self.repeats = place % length >= length - FADE_SAMPLES

    def ideal(self, *, hard: bool = False) -> Array:
        """Return what should have come; ``hard`` switches without a fade."""
        gains = [np.zeros(len(self.samples)) for _ in self.repeated]
        gains[self.order[0]] += 1.0
        for before, after, at_s in zip(self.order, self.order[1:], self.switches_s, strict=False):
            rise = _rise(len(self.samples), at_s - self.first / RATE_HZ)
            step = np.where(rise > 0.0, 1.0, 0.0) if hard else rise
            gains[before] -= step
            gains[after] += step
        return np.asarray(sum(g * x for g, x in zip(gains, self.repeated, strict=True)))

    def steady(self, number: int) -> slice:
        """Return the whole phrase that is heard last before switch ``number`` + 1 or the end."""
        ends = [*self.switches_s, (self.first + len(self.samples)) / RATE_HZ]
        end = round(ends[number] * RATE_HZ) - self.first - 10
        return slice(end - len(_stored("receiver")[0]), end)


@pytest.fixture(scope="module")
def heard(browser: Browser, file: Path) -> Heard:
    """Play the receiver's versions for a whole phrase each, by keys, and some fast switches."""
    order = [0, 1, 2]
    with page_browser.opened(browser, file) as page:
        page.keyboard.press("r")
        expect(page.get_by_label("In the receiver")).to_be_checked()
        page_browser.tap(page)
        page.keyboard.press("Space")
        for version in order:
            page.keyboard.press(str(version + 1))
            _played_s(page, 1.7)
        for version in (0, 2, 1, 0):
            page.keyboard.press(str(version + 1))
            _played_s(page, 0.08)
            order.append(version)
        return Heard(page, order, _stored("receiver"))


def test_switching_is_the_ideal_crossfade(heard: Heard) -> None:
    """No click over -60 dB of the peak at any switch; a switch without a fade would be seen."""
    peak = np.max(np.abs(heard.samples))
    error = np.abs(heard.samples - heard.ideal()) / peak
    hard_error = np.abs(heard.samples - heard.ideal(hard=True)) / peak
    for at_s in heard.switches_s:
        at = round(at_s * RATE_HZ) - heard.first
        near = slice(at - NEAR_SAMPLES, at + NEAR_SAMPLES)
        assert np.max(error[near]) < 1e-3
    assert np.max(hard_error[heard.begun + FADE_SAMPLES + NEAR_SAMPLES :]) > 1e-2
    assert np.max(error[(heard.place >= FADE_SAMPLES) & ~heard.repeats]) < 1e-3


def test_versions_are_in_step_to_the_sample(heard: Heard) -> None:
    """The lag of what was heard to each version, by cross-correlation, is the same for all."""
    lags = []
    for number, version in enumerate(_stored("receiver")):
        piece = heard.samples[heard.steady(number)]
        turned = np.concatenate([version, version])
        match = signal.correlate(turned, piece, mode="valid", method="fft")
        lag = int(np.argmax(match[:-1])) - heard.steady(number).start
        lags.append(lag % len(version))
    assert len(set(lags)) == 1


def test_versions_are_equally_loud(heard: Heard) -> None:
    """pyebur128 of what came out, one whole phrase each, turned to begin at its beginning."""
    loudness = []
    for number in range(3):
        phrase = heard.steady(number)
        begun = (heard.begun - phrase.start) % (phrase.stop - phrase.start)
        samples = np.roll(heard.samples[phrase], -begun)
        state = R128State(1, RATE_HZ, MeasurementMode.MODE_I)
        state.add_frames(np.ascontiguousarray(samples, np.float64), len(samples))
        loudness.append(get_loudness_global(state))
    assert max(loudness) - min(loudness) < 0.1


def test_switches_faster_than_the_fade_leave_no_click(browser: Browser, file: Path) -> None:
    """Thirty wishes within some milliseconds: whatever of them is heard, it is heard by fades."""
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.keyboard.press("Space")
        _played_s(page, 0.3)
        page.evaluate(
            """() => { for (let i = 1; i <= 31; i++) window.comparePage.app.player.hear(i % 3); }"""
        )
        _played_s(page, 0.3)
        for version in (2, 3, 2, 1, 3, 1, 3):
            page.keyboard.press(str(version))
        _played_s(page, 0.3)
        curves = page.evaluate("window.asked.curves")
        _, samples = page_browser.tapped(page)
    # The largest step between two samples is no larger than the versions' own.
    own = max(float(np.max(np.abs(np.diff(version)))) for version in _stored("card"))
    assert np.max(np.abs(np.diff(samples))) < 1.1 * own
    fades_s = sorted({when for when, _, _ in curves})
    assert len(fades_s) > 4
    assert np.min(np.diff(fades_s)) >= FADE_SAMPLES / RATE_HZ  # never two at a time


def test_the_listening_point_changes_without_losing_the_place(browser: Browser, file: Path) -> None:
    """The receiver's sound goes on where the sound card's was."""
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.keyboard.press("Space")
        _played_s(page, 0.4)
        page.keyboard.press("r")
        _played_s(page, 0.7)
        _, samples = page_browser.tapped(page)
        starts = page.evaluate("window.asked.starts")
    (begun_s, _), (again_s, offset_s) = starts[0], starts[-1]
    assert offset_s == pytest.approx(again_s - begun_s, abs=1.0 / RATE_HZ)
    piece = samples[-9600:-128].astype(np.float64)
    place = signal.correlate(_stored("receiver")[0], piece, mode="valid", method="fft")
    assert np.max(np.abs(piece)) > 0.01
    lag = int(np.argmax(place))
    assert piece == pytest.approx(_stored("receiver")[0][lag : lag + len(piece)], abs=2e-5)


def test_a_loop_is_dragged_and_repeats_without_a_click(browser: Browser, file: Path) -> None:
    with page_browser.opened(browser, file) as page:
        box = page.get_by_role("slider", name="Position").bounding_box()
        assert box
        left, right = (box["x"] + part * box["width"] for part in (0.25, 0.5))
        page.mouse.move(left, box["y"] + 40)
        page.mouse.down()
        page.mouse.move(right, box["y"] + 40, steps=4)
        page.mouse.up()
        expect(page.get_by_text("Loop 0.40 to 0.80 s")).to_be_visible()
        page_browser.tap(page)
        page.keyboard.press("Space")
        _played_s(page, 1.1)
        frame, samples = page_browser.tapped(page)
        begun_s, _ = page.evaluate("window.asked.starts[0]")
        first, last = page.evaluate(
            "(({first, last}) => [first, last])(window.comparePage.app.player)"
        )
    version = _stored("card")[0]
    begun = round(begun_s * RATE_HZ) - frame
    played = samples[begun + FADE_SAMPLES :]
    whole = version[first + FADE_SAMPLES : last - FADE_SAMPLES]
    assert np.max(np.abs(played[: len(whole)] - whole)) < 1e-4  # the loop is what was dragged
    again = played[last - first :][: len(whole)]
    assert np.max(np.abs(again - whole)) < 1e-4  # and comes back in step
    own = float(np.max(np.abs(np.diff(version))))
    assert np.max(np.abs(np.diff(samples))) < 1.1 * own


def test_keyboard_only(browser: Browser, file: Path) -> None:
    """All of listening by keys; what is heard is announced and shown."""
    with page_browser.opened(browser, file) as page:
        said = page.get_by_role("status")
        page.keyboard.press("2")
        expect(said).to_have_text("Warm")
        pressed = page.get_by_role("group", name="Version").get_by_role("button", pressed=True)
        expect(pressed).to_have_text("2 Warm")
        page.keyboard.press("a")
        expect(said).to_have_text("At the antenna")
        expect(page.get_by_role("article", name="Warm")).to_contain_text("Figure of antenna")
        expect(page.get_by_role("article", name="Warm").get_by_role("img")).to_have_count(2)
        page.keyboard.press("p")
        expect(said).to_have_text("Phrase 2")
        expect(page.get_by_text("0.0 / 1.0 s")).to_be_visible()
        page.get_by_role("slider", name="Position").focus()
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("s")
        page.keyboard.press("Shift+ArrowRight")
        expect(page.get_by_text("Loop 0.30 to 1.00 s")).to_be_visible()
        page.keyboard.press("Home")
        for _ in range(4):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("e")
        expect(page.get_by_text("Loop 0.30 to 0.70 s")).to_be_visible()
        page.keyboard.press("w")
        expect(page.get_by_text("Loop: whole phrase")).to_be_visible()
        page.keyboard.press("Space")
        expect(page.get_by_role("button", name="Pause")).to_be_visible()
        page.get_by_label("Single keys work").evaluate("(box) => box.click()")
        page.keyboard.press("1")
        expect(pressed).to_have_text("2 Warm")


def test_space_plays_after_a_click_and_presses_after_a_tab(browser: Browser, file: Path) -> None:
    with page_browser.opened(browser, file) as page:
        page.get_by_role("button", name="Warm", exact=True).click()
        page.keyboard.press("Space")
        expect(page.get_by_role("button", name="Pause")).to_be_visible()
        page.keyboard.press("Tab")
        page.keyboard.press("Space")
        expect(page.get_by_role("button", name="Dense", exact=True, pressed=True)).to_be_visible()
        expect(page.get_by_role("button", name="Pause")).to_be_visible()


def test_names_are_shown_as_they_are(browser: Browser, tmp_path: Path) -> None:
    """A name that looks like HTML stays text."""
    file = tmp_path / "page.html"
    compare_page.write_page(content(seconds=(1.0,), versions=4), file)
    with page_browser.opened(browser, file) as page:
        expect(page.get_by_role("heading", level=3).last).to_have_text(list(GAINS)[-1])


def test_policy_keeps_the_page_to_itself(browser: Browser, file: Path) -> None:
    """With its policy in force the page works, and the browser blocks whatever it would fetch."""
    with page_browser.opened(browser, file, bypass_csp=False) as page:
        page.keyboard.press("Space")
        expect(page.get_by_role("button", name="Pause")).to_be_visible()
    with (
        pytest.raises(AssertionError, match="Content Security Policy"),
        page_browser.opened(browser, file, bypass_csp=False) as page,
    ):
        page.evaluate("fetch('http://127.0.0.1:9/').catch(() => 0)")
