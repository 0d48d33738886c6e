"""Listening in the page: what a real browser plays when versions are switched."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser, expect
from pyebur128 import MeasurementMode, R128State, get_loudness_global
from scipy import signal

from carrierfloor.cli import compare_page
from carrierfloor.cli.compare_content import Phrase, Track
from tests import page_browser
from tests.clips import sound
from tests.page_content import GAINS, RATE_HZ, content
from tests.page_heard import FADE_SAMPLES, Heard, stored, wait_played

NEAR_SAMPLES = 2400  # 50 ms to each side of a switch


@pytest.fixture(scope="module")
def heard(browser: Browser, file: Path) -> Heard:
    """Play the receiver's versions for a whole phrase each, by keys, then switch faster."""
    with page_browser.opened(browser, file) as page:
        page.keyboard.press("r")
        expect(page.get_by_label("In the receiver")).to_be_checked()
        page_browser.tap(page)
        page.keyboard.press("Space")
        for key in "123":
            page.keyboard.press(key)
            wait_played(page, 1.7)
        for key in "1321":
            page.keyboard.press(key)
            wait_played(page, 0.08)
        heard = Heard(page, stored("receiver"), known=[0, 1, 2, 0])
    assert heard.order == [0, 1, 2, 0, 2, 1, 0]
    return heard


def test_switching_is_the_ideal_crossfade(heard: Heard) -> None:
    """No click over -60 dB of the peak at any switch; a switch without a fade would be seen."""
    error, hard_error = heard.error(), heard.error(hard=True)
    for at_s in heard.switches_s:
        at = round(at_s * RATE_HZ) - heard.first
        assert np.max(error[at - NEAR_SAMPLES : at + NEAR_SAMPLES]) < 1e-3
    assert np.max(hard_error) > 1e-2
    assert np.max(error) < 1e-3


def test_versions_are_in_step_to_the_sample(heard: Heard) -> None:
    """The lag of what was heard to each version, by cross-correlation, is the same for all."""
    lags = []
    for number, version in enumerate(stored("receiver")):
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
    """Thirty wishes at once, then keys as fast as they come: all that is heard is whole fades."""
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.keyboard.press("Space")
        for key in "123":
            page.keyboard.press(key)
            wait_played(page, 0.1)
        page.evaluate(
            """() => { for (let i = 1; i <= 31; i++) window.comparePage.app.player.hear(i % 3); }"""
        )
        wait_played(page, 0.1)
        for key in "3213132":
            page.keyboard.press(key)
        wait_played(page, 0.2)
        heard = Heard(page, stored("card"), known=[0, 1, 2, 1])
        shown = page.evaluate("window.comparePage.app.player.heard")
    assert len(heard.order) > 4
    assert heard.order[-1] == shown == 1  # the last wish has come true
    assert np.min(np.diff(heard.switches_s)) >= FADE_SAMPLES / RATE_HZ  # never two at a time
    assert np.max(heard.error()) < 1e-3


def test_the_listening_point_changes_without_losing_the_place(browser: Browser, file: Path) -> None:
    """The receiver's sound is in step with where the sound card's began."""
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.keyboard.press("Space")
        wait_played(page, 0.4)
        page.keyboard.press("r")
        page.wait_for_function("window.asked.starts.length > 3")  # decoded first
        wait_played(page, 0.5)
        first, samples = page_browser.tapped(page)
        starts = page.evaluate("window.asked.starts")
    begun, changed = (round(when_s * RATE_HZ) - first for when_s, _ in (starts[0], starts[-1]))
    assert changed > begun + FADE_SAMPLES
    version = stored("receiver")[0]
    after = np.arange(changed + FADE_SAMPLES, len(samples))
    place = (after - begun) % len(version)
    error = np.abs(samples[after] - version[place])[place < len(version) - FADE_SAMPLES]
    assert len(error) > 0.3 * RATE_HZ
    assert np.max(error) < 1e-4


def test_a_loop_is_dragged_and_repeats_without_a_click(browser: Browser, file: Path) -> None:
    """Over 10 ms the end blends into what comes before the start, by a raised cosine."""
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
        wait_played(page, 1.1)
        frame, samples = page_browser.tapped(page)
        begun_s, _ = page.evaluate("window.asked.starts[0]")
        first, last = page.evaluate(
            "(({first, last}) => [first, last])(window.comparePage.app.player)"
        )
    version = stored("card")[0]
    expected = version[first:last].copy()
    rise = (1.0 - np.cos(np.pi * np.arange(1, FADE_SAMPLES + 1) / (FADE_SAMPLES + 1))) / 2.0
    blended = slice(-FADE_SAMPLES, None)
    expected[blended] += rise * (version[first - FADE_SAMPLES : first] - expected[blended])
    assert np.max(np.abs(expected - version[first:last])) > 1e-2  # it makes a difference
    begun = round(begun_s * RATE_HZ) - frame
    twice = samples[begun : begun + 2 * (last - first)]
    error = np.abs(twice - np.tile(expected, 2))[FADE_SAMPLES:]  # after the fade in
    assert np.max(error) < 1e-4


def test_versions_told_too_late_begin_once_more_in_step(browser: Browser, file: Path) -> None:
    """The page is kept busy while it starts the first version: twice as long as starts may take."""
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.evaluate(
            """() => {
              const { start } = AudioBufferSourceNode.prototype;
              window.tries = 0;
              AudioBufferSourceNode.prototype.start = function (...when) {
                start.apply(this, when);
                const { currentTime } = this.context;
                if (++window.tries === 1) while (this.context.currentTime < currentTime + 0.1);
              };
            }"""
        )
        page.keyboard.press("Space")
        page.keyboard.press("2")
        wait_played(page, 0.3)
        assert page.evaluate("window.tries") >= 2 * 3
        heard = Heard(page, stored("card"), known=[0, 1])
    assert heard.order == [0, 1]
    assert np.max(heard.error()) < 1e-3


def test_fades_that_follow_at_once_do_not_overlap(browser: Browser, file: Path) -> None:
    """A browser refuses curves that overlap, be it by rounding alone; the page would complain."""
    with page_browser.opened(browser, file) as page:
        page.keyboard.press("Space")
        wait_played(page, 0.1)
        page.evaluate(
            """() => {
              const { player } = window.comparePage.app;
              for (let i = 0; i < 60; i++) {
                player.seek(800 * i);
                if (i % 3 === 2) { player.pause(); player.play(); }
              }
            }"""
        )
        expect(page.locator("#problem")).to_be_hidden()
        curves = page.evaluate("window.asked.curves")
    falls = [when_s for when_s, end, _ in curves if end == 0.0]
    rises = [when_s for when_s, end, _ in curves if end == 1.0]
    assert len(rises) == len(falls) + 1 == 81  # the first, 60 places, 20 times after a pause
    # While one fades in, another fades out with it or is silent.
    assert not [at for at in rises if any(fall < at < fall + 0.00999 for fall in falls)]


def test_a_phrase_that_begins_within_a_word_repeats_without_a_click(
    browser: Browser, tmp_path: Path
) -> None:
    """Speech without anything over 6 kHz, cut at its highest peak: above 10 kHz nothing is heard.

    60 dB under the peak are asked for; the bare step from silence to that peak is 11 dB under it.
    """
    low_pass = signal.butter(8, 6000.0, fs=RATE_HZ, output="sos")
    speech = signal.sosfiltfilt(low_pass, sound("F1_harvard_phrases"))
    peak = int(np.argmax(np.abs(speech)))
    cut = 0.5 * speech[peak : peak + RATE_HZ // 2] / abs(speech[peak])
    given = content(seconds=(0.5,), versions=2)
    tracks = {"card": Track(samples=cut, rate_hz=RATE_HZ, lu=-20.0, lu_before=-20.0, gain_db=0.0)}
    versions = [replace(version, tracks=tracks) for version in given.phrases[0].versions]
    file = tmp_path / "page.html"
    phrase = Phrase(name="Cut", versions=versions)
    compare_page.write_page(replace(given, phrases=[phrase]), file)
    with page_browser.opened(browser, file) as page:
        page_browser.tap(page)
        page.keyboard.press("Space")
        wait_played(page, 1.4)
        _, samples = page_browser.tapped(page)
    high_pass = signal.butter(8, 10_000.0, "high", fs=RATE_HZ, output="sos")
    assert np.max(np.abs(samples)) > 0.2
    assert np.max(np.abs(signal.sosfilt(high_pass, samples))) < 1e-3 * np.max(np.abs(samples))


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
        expect(said).to_have_text("Loop 0.30 to 1.00 s")
        page.keyboard.press("Shift+ArrowRight")
        expect(page.locator(".loop")).to_have_text("Loop 0.30 to 1.00 s")
        page.keyboard.press("Home")
        for _ in range(4):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("e")
        expect(page.locator(".loop")).to_have_text("Loop 0.30 to 0.70 s")
        page.keyboard.press("w")
        expect(page.locator(".loop")).to_have_text("Loop: whole phrase")
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
        page.get_by_label("At the sound card").focus()
        page.keyboard.press("ArrowRight")
        expect(page.get_by_label("At the antenna")).to_be_checked()
        page.keyboard.press("Space")  # the button is chosen already: there is nothing to press
        expect(page.get_by_role("button", name="Play")).to_be_visible()


def test_the_line_moves_in_steps_where_motion_is_unwanted(browser: Browser, file: Path) -> None:
    """In 40 pictures, however slowly they come: two places a second, and else twice as many."""
    found = []
    for motion in ("reduce", "no-preference"):
        with page_browser.opened(browser, file, reduced_motion=motion) as page:
            page.keyboard.press("Space")
            found.append(
                page.evaluate(
                    """async () => {
                      const seen = new Set();
                      const needle = document.querySelector(".needle");
                      const begun_ms = performance.now();
                      for (let i = 0; i < 40; i++) {
                        seen.add(needle.style.left);
                        await new Promise(requestAnimationFrame);
                      }
                      return [seen.size, (performance.now() - begun_ms) / 1000];
                    }"""
                )
            )
    (steps, in_s), (smooth, smooth_in_s) = found
    assert steps <= 3 + 2 * in_s
    assert smooth > max(10, 2 * (3 + 2 * smooth_in_s))


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
