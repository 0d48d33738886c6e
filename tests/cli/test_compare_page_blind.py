"""Blind tests and rankings in the page, done by clicks and keys in a real browser."""

import json
from math import comb
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect
from scipy.stats import binom, binomtest

from tests import page_browser, page_heard
from tests.page_content import RATE_HZ, content
from tests.reference import hidden_order

TRIALS = 16
NAMES = [version.name for version in content().phrases[0].versions]

# All that can be seen or heard of by a screen reader, without the parts that hold the data.
SHOWN = """
() => {
  const body = document.body.cloneNode(true);
  body.querySelectorAll("script").forEach((script) => script.remove());
  const picture = document.querySelector("canvas").toDataURL();
  return [document.title + body.outerHTML, picture];
}
"""


def _start_test(page: Page, seed: int | None = None, trials: int = TRIALS) -> None:
    page.get_by_role("tab", name="Blind test").click()
    page.get_by_label("Version A").select_option("Plain")
    page.get_by_label("Version B").select_option("Dense")
    page.get_by_label("Heard").select_option("At the antenna")
    page.get_by_label("Trials").fill(str(trials))
    if seed is not None:
        _give_seed(page, seed)
    page.get_by_role("button", name="Start the test").click()
    expect(page.get_by_role("heading", name=f"Trial 1 of {trials}")).to_be_visible()


def _give_seed(page: Page, seed: int) -> None:
    page.locator("summary", has_text="Seed").click()
    page.get_by_role("spinbutton", name="Seed").fill(str(seed))


def _answer(page: Page, letters: str) -> None:
    """Listen to X and answer by keys, once for each letter."""
    for letter in letters:
        page.keyboard.press("x")
        page.keyboard.press(f"Shift+{letter}")


def _saved(page: Page) -> dict[str, Any]:
    with page.expect_download() as download:
        page.get_by_role("button", name="Save the result").click()
    assert download.value.suggested_filename.endswith(".json")
    return dict(json.loads(Path(download.value.path()).read_text("utf-8")))


def _check(result: dict[str, Any], order: str, answers: str) -> None:
    """The result against the order worked out from the seed, and scipy's exact binomial test."""
    right = sum(x == said for x, said in zip(order, answers, strict=True))
    outside = binomtest(right, len(order), alternative="greater")
    both = binomtest(right, len(order)).proportion_ci(0.95, "exact")
    assert [trial["x"] for trial in result["trials"]] == list(order)
    assert [trial["answer"] for trial in result["trials"]] == list(answers)
    assert [trial["correct"] for trial in result["trials"]] == [
        x == said for x, said in zip(order, answers, strict=True)
    ]
    assert (result["correct"], result["declared_trials"]) == (right, len(order))
    assert result["completed"]
    assert result["p_value"] == pytest.approx(outside.pvalue, rel=1e-9)
    assert result["interval_95"] == pytest.approx([both.low, both.high], abs=1e-9)


def test_a_listener_who_knows(browser: Browser, file: Path) -> None:
    """All of 16 right: p is 1 in 65536."""
    order = hidden_order.blind_test(1, TRIALS)
    with page_browser.opened(browser, file) as page:
        _start_test(page, seed=1)
        _answer(page, order)
        expect(page.get_by_text("You were right in 16 of 16 trials.")).to_be_visible()
        expect(page.get_by_text("right as often or more in less than 0.1 % of")).to_be_visible()
        expect(page.get_by_text("That is evidence that you hear a difference.")).to_be_visible()
        result = _saved(page)
    _check(result, order, order)
    assert result["p_value"] == pytest.approx(2.0**-16)
    assert result["seed"] == 1
    for letter, place in (("A", 0), ("B", 2)):
        version = content().phrases[0].versions[place]
        track = version.tracks["antenna"]
        assert result["versions"][letter] == {
            "name": version.name,
            "spec": version.spec,
            "lufs": pytest.approx(track.lu, abs=1e-3),
            "gain_db": pytest.approx(track.gain_db, abs=1e-3),
        }
    assert (result["phrase"], result["listening_point"]) == ("Phrase 1", "at the antenna")


def test_a_listener_who_guesses(browser: Browser, file: Path) -> None:
    """A and B in turn, the seed drawn by the page: what comes out follows from the seed."""
    answers = "AB" * (TRIALS // 2)
    with page_browser.opened(browser, file) as page:
        _start_test(page)
        _answer(page, answers)
        result = _saved(page)
        shown = page.locator(".verdict").inner_text().replace("\u00a0", " ")
    order = hidden_order.blind_test(result["seed"], TRIALS)
    _check(result, order, answers)
    assert f"You were right in {result['correct']} of 16 trials." in shown
    assert f"p = {result['p_value']:.4f}" in shown
    is_evidence = result["p_value"] <= 0.05
    assert ("That is evidence" in shown) == is_evidence
    assert ("That is no evidence" in shown) == (not is_evidence)


def test_twelve_of_sixteen_and_eleven(browser: Browser, file: Path) -> None:
    """Either side of the line: 12 of 16 gives p of 0.038406, 11 of 16 gives 0.105057 (binomial)."""
    order = hidden_order.blind_test(7, TRIALS)
    turned = order.translate({65: "B", 66: "A"})
    with page_browser.opened(browser, file) as page:
        for right, p, verdict in ((12, 0.038406, "evidence"), (11, 0.105057, "no evidence")):
            _start_test(page, seed=7)
            _answer(page, order[:right] + turned[right:])
            expect(page.get_by_text(f"That is {verdict}")).to_be_visible()
            assert _saved(page)["p_value"] == pytest.approx(p, abs=5e-7)


def test_two_different_seeds_differ_in_nothing_that_can_be_seen(
    browser: Browser, file: Path
) -> None:
    """The page and its accessible tree are the same, letter by letter, whatever X is.

    The answers are the same too, so that they are right with one seed and wrong with the other:
    nothing tells how a trial went.
    """
    one, other = 4, 2
    orders = [hidden_order.blind_test(seed, TRIALS) for seed in (one, other)]
    assert orders[0][0] != orders[1][0]
    assert orders[0][:8] != orders[1][:8]
    seen = [_seen(browser, file, seed) for seed in (one, other)]
    assert len(seen[0]) == 1 + 2 * 8
    for at_one, at_other in zip(*seen, strict=True):
        assert at_one == at_other
    # Nor is there a name, figure or picture of the versions.
    for words, _ in seen[0]:
        assert not any(name in words for name in (*NAMES, "gain=", "Figure of", "data:image"))


def _seen(browser: Browser, file: Path, seed: int) -> list[tuple[str, str]]:
    """Return all that is on the page before and after X is heard in eight trials."""
    with page_browser.opened(browser, file) as page:
        _start_test(page, seed=seed)
        seen = [_snapshot(page)]
        for letter in "ABBABAAB":
            page.keyboard.press("x")
            page.keyboard.press("Space")
            page.get_by_role("slider", name="Position").focus()
            page.keyboard.press("Home")
            seen.append(_snapshot(page))
            page.keyboard.press(f"Shift+{letter}")
            seen.append(_snapshot(page))
        return seen


def _snapshot(page: Page) -> tuple[str, str]:
    words, waveform = page.evaluate(SHOWN)
    return words + page.locator("body").aria_snapshot(), waveform


def test_x_sounds_as_the_result_says(browser: Browser, file: Path) -> None:
    """What is sent to the sound card as X is the sample that the seed's order names, as loud."""
    order = hidden_order.blind_test(2, TRIALS)[:3]
    assert len(set(order)) == 2
    tracks = {"A": 0, "B": 2}
    versions = content().phrases[0].versions
    with page_browser.opened(browser, file) as page:
        _start_test(page, seed=2)
        page_browser.tap(page)
        for letter in order:
            page.evaluate("window.asked.starts.length = 0")
            page.keyboard.press("x")
            page_heard.wait_played(page, 0.5)
            first, heard = page_browser.tapped(page)
            begun_s, _ = page.evaluate("window.asked.starts[0]")
            begun = round(begun_s * RATE_HZ) - first
            steady = slice(480, 9600)
            piece = heard[begun:][steady]
            error = {
                name: np.max(np.abs(piece - versions[place].tracks["antenna"].samples[steady]))
                for name, place in tracks.items()
            }
            assert error[letter] < 1e-4  # dither
            assert min(error.values()) == error[letter]
            assert max(error.values()) > 1e-2
            page.keyboard.press("Shift+A")
            assert page.evaluate("window.comparePage.app.player.position") == 0


def test_a_plan_is_locked_and_x_must_be_heard(browser: Browser, file: Path) -> None:
    with page_browser.opened(browser, file) as page:
        _start_test(page, seed=3, trials=5)
        expect(page.get_by_label("Trials")).to_have_count(0)
        expect(page.get_by_role("tab", name="Listen")).to_be_disabled()
        expect(page.get_by_role("button", name="X is A")).to_be_disabled()
        page.keyboard.press("Shift+A")
        expect(page.get_by_role("heading", name="Trial 1 of 5")).to_be_visible()
        page.get_by_role("button", name="Hear X").click()
        page.get_by_role("button", name="X is A").click()
        expect(page.get_by_role("heading", name="Trial 2 of 5")).to_be_focused()


@pytest.mark.parametrize(("tab", "heading"), [("blind", "Trial"), ("ranking", "Rate each")])
def test_who_goes_on_before_it_begins_is_not_locked_in(
    browser: Browser, file: Path, tab: str, heading: str
) -> None:
    """Decoding takes a moment; a press of Start from before then must not lock another part."""
    with page_browser.opened(browser, file) as page:
        page.locator(f"#tab-{tab}").click()
        page.evaluate(
            """async () => {
              const { app } = window.comparePage;
              document.querySelector("form").requestSubmit();
              document.getElementById("tab-listen").click();
              await app.sounds.at(0, "receiver");
            }"""
        )
        expect(page.get_by_role("tab", name="Listen", selected=True)).to_be_enabled()
        page.locator(f"#tab-{tab}").click()
        page.locator("form .main").click()
        expect(page.get_by_role("heading", name=heading)).to_be_visible()


def test_a_test_that_is_stopped_has_no_p_value(browser: Browser, file: Path) -> None:
    with page_browser.opened(browser, file) as page:
        _start_test(page, seed=9)
        _answer(page, hidden_order.blind_test(9, 7))
        page.locator("summary", has_text="Stop early").click()
        page.get_by_role("button", name="Stop the test").click()
        expect(page.get_by_text("Stopped after 7 of 16 trials, 7 of them right.")).to_be_visible()
        result = _saved(page)
    assert (result["completed"], result["answered"], result["declared_trials"]) == (False, 7, 16)
    assert result["p_value"] is None
    assert result["interval_95"] is None
    assert len(result["trials"]) == 7


def test_what_cannot_be_tested_is_refused(browser: Browser, file: Path) -> None:
    with page_browser.opened(browser, file) as page:
        page.get_by_role("tab", name="Blind test").click()
        page.get_by_label("Version B").select_option("Plain")
        page.get_by_role("button", name="Start the test").click()
        expect(page.get_by_text("A and B are the same version: choose two.")).to_be_visible()
        page.get_by_label("Version B").select_option("Warm")
        _give_seed(page, -1)
        page.locator("summary", has_text="Seed").click()
        page.get_by_role("button", name="Start the test").click()
        expect(page.get_by_role("spinbutton", name="Seed")).to_be_focused()  # its fold is open
        page.get_by_role("spinbutton", name="Seed").fill("")
        page.get_by_label("Trials").fill("4")
        page.get_by_role("button", name="Start the test").click()
        expect(page.get_by_role("heading", name="Trial 1")).to_have_count(0)


def test_statistics_are_those_of_scipy(browser: Browser, file: Path) -> None:
    """Every number of right answers of 1 to 40 trials, and the fewest that reach 0.05."""
    with page_browser.opened(browser, file) as page:
        found = page.evaluate(
            """() => {
              const { atLeast, interval, fewest } = window.comparePage.statistics;
              const rows = [];
              for (let n = 1; n <= 40; n++)
                for (let k = 0; k <= n; k++)
                  rows.push([n, k, atLeast(k, n), interval(k, n), fewest(n)]);
              return rows;
            }"""
        )
    for n, k, p, interval, fewest in found:
        assert p == pytest.approx(sum(comb(n, i) for i in range(k, n + 1)) / 2**n, rel=1e-12)
        if n in (5, 16, 40):
            outside = binomtest(k, n).proportion_ci(0.95, "exact")
            assert interval == pytest.approx([outside.low, outside.high], abs=1e-9)
        if n >= 5:
            assert binom.sf(fewest - 1, n, 0.5) <= 0.05 < binom.sf(fewest - 2, n, 0.5)
    # Fewest right of 5 to 25 for p of 0.05 or less; a table in print has 8 of 10, which is 0.055.
    needed = {n: fewest for n, _, _, _, fewest in found}
    table = "5 6 7 7 8 9 9 10 10 11 12 12 13 13 14 15 15 16 16 17 18"
    assert [needed[n] for n in range(5, 26)] == [int(word) for word in table.split()]
