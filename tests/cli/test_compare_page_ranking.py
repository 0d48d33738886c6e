"""The ranking in the page, done by keys in a real browser, and how the page looks and reads."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import Browser, Page, expect

from carrierfloor.cli.plots import INK
from tests import page_browser
from tests.page_heard import Heard, stored, wait_played
from tests.reference import hidden_order

VERSIONS = 3
SEED = 11


def _tab_to(page: Page, name: str) -> None:
    """Press Tab until the element with this name has the focus."""
    for _ in range(40):
        page.keyboard.press("Tab")
        focused = page.evaluate(
            """() => {
              const one = document.activeElement;
              return one.ariaLabel ?? one.labels?.[0]?.firstChild.textContent ?? one.textContent;
            }"""
        )
        if name in focused:
            return
    raise AssertionError(f"Tab never comes to {name}")


def _begin(page: Page) -> None:
    """Start a ranking with Plain as the reference and Dense as the anchor, by keys only."""
    _tab_to(page, "Listen")
    page.keyboard.press("ArrowLeft")
    _tab_to(page, "Low anchor")
    page.keyboard.type("Dense")
    _tab_to(page, "Seed")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type(str(SEED))
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="Rate each beside the reference")).to_be_focused()


def _rate(page: Page, scores: dict[int, int]) -> None:
    """Hear and rate every version where the seed's order has put it."""
    for place, version in enumerate(hidden_order.ranking(SEED, VERSIONS)):
        page.keyboard.press(str(place + 1))
        _tab_to(page, f"Quality of {'ABC'[place]}")
        page.keyboard.press("Home")
        for _ in range(scores[version]):
            page.keyboard.press("ArrowRight")


def _finish(page: Page) -> dict[str, Any]:
    _tab_to(page, "Finish")
    page.keyboard.press("Enter")
    _tab_to(page, "Save the result")
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    return dict(json.loads(Path(download.value.path()).read_text("utf-8")))


def test_a_ranking_by_keyboard(browser: Browser, file: Path) -> None:
    """Scores come back under the names that the seed's order gives the letters."""
    order = hidden_order.ranking(SEED, VERSIONS)
    assert order != sorted(order)
    with page_browser.opened(browser, file) as page:
        _begin(page)
        expect(page.get_by_role("button", name="Finish")).to_be_disabled()
        page.keyboard.press("0")
        expect(page.get_by_role("button", name="Hear Reference", pressed=True)).to_be_visible()
        _rate(page, {0: 95, 1: 60, 2: 19})
        shown = page.evaluate("document.querySelector('main').innerText")
        assert not any(name in shown for name in ("Plain", "Warm", "Dense"))
        result = _finish(page)
        expect(page.get_by_text("do not lean on this ranking")).to_have_count(0)
        expect(page.get_by_role("row").nth(1)).to_have_text(re.compile("Plain.*95.*excellent"))
    items = [(item["name"], item["score"], item["band"], item["role"]) for item in result["items"]]
    assert items == [
        ("Plain", 95, "excellent", "hidden reference"),
        ("Warm", 60, "good", ""),
        ("Dense", 19, "bad", "low anchor"),
    ]
    assert {item["letter"]: item["name"] for item in result["items"]} == {
        "ABC"[place]: ["Plain", "Warm", "Dense"][version] for place, version in enumerate(order)
    }
    assert (result["hidden_reference_score"], result["seed"]) == (95, SEED)


def test_letters_sound_as_the_result_says(browser: Browser, file: Path) -> None:
    """What is sent to the sound card under each letter, and as the reference, by the order."""
    with page_browser.opened(browser, file) as page:
        _begin(page)
        page_browser.tap(page)
        page.keyboard.press("1")
        for key in "230":
            wait_played(page, 0.2)
            page.keyboard.press(key)
        wait_played(page, 0.2)
        first, second, third = hidden_order.ranking(SEED, VERSIONS)
        sounds = stored("receiver")
        letters = [sounds[version] for version in (first, second, third, 0)]
        heard = Heard(page, letters, known=[0, 1, 2, 3])
    assert heard.order == [0, 1, 2, 3]
    assert np.max(heard.error()) < 1e-3


def test_a_hidden_reference_below_90_is_warned_of(browser: Browser, file: Path) -> None:
    """ITU-R BS.1534 drops listeners who rate the hidden reference below 90."""
    with page_browser.opened(browser, file, viewport=page_browser.NARROW) as page:
        _begin(page)
        _rate(page, {0: 89, 1: 100, 2: 5})
        result = _finish(page)
        assert _overhang(page) <= 0
        expect(page.get_by_text("The hidden reference got 89.")).to_be_visible()
    assert result["hidden_reference_score"] == 89


def test_seeds_differ_in_nothing_that_can_be_seen(browser: Browser, file: Path) -> None:
    seen = []
    for seed in (1, 2):
        with page_browser.opened(browser, file) as page:
            page.get_by_role("tab", name="Ranking").click()
            page.locator("summary", has_text="Seed").click()
            page.get_by_role("spinbutton", name="Seed").fill(str(seed))
            page.get_by_role("button", name="Start the ranking").click()
            page.get_by_role("button", name="Hear A").click()
            page.keyboard.press("Space")
            page.get_by_role("slider", name="Position").focus()
            page.keyboard.press("Home")
            body = page.locator("body")
            seen.append(body.locator("main").inner_html() + body.aria_snapshot())
    assert hidden_order.ranking(1, VERSIONS) != hidden_order.ranking(2, VERSIONS)
    assert seen[0] == seen[1]


def test_bands_and_anchor_are_explained(browser: Browser, file: Path) -> None:
    """Five bands of 20 points (ITU-R BS.1534)."""
    with page_browser.opened(browser, file) as page:
        page.get_by_role("tab", name="Ranking").click()
        expect(page.get_by_text("low-pass of 3.5 kHz, does not serve here")).to_be_visible()
        bands = page.evaluate("[0, 19, 20, 40, 60, 79, 80, 100].map(window.comparePage.bandOf)")
    assert bands == ["bad", "bad", "poor", "fair", "good", "good", "excellent", "excellent"]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read(browser: Browser, file: Path, scheme: str) -> None:
    """Contrast of text is 4.5 or more, of parts of controls 3 or more (WCAG 2.2, 1.4.3, 1.4.11).

    The words in pictures are text too; a filter of the page makes them darker or brighter.
    """
    with page_browser.opened(browser, file, color_scheme=scheme) as page:
        colours = page.evaluate(
            """(names) => Object.fromEntries(names.map(
              (name) => [name, getComputedStyle(document.body).getPropertyValue(`--${name}`)]))""",
            ["paper", "panel", "ink", "soft", "accent", "on-accent", "warm", "wave"],
        )
        changed = page.locator(".picture img").first.evaluate(
            "(img) => getComputedStyle(img).filter"
        )
        page.get_by_role("tab", name="Ranking").click()
        page.get_by_role("button", name="Start the ranking").click()
        unused = page.get_by_role("slider", name="Quality of A")
        opacity = float(unused.evaluate("(slider) => getComputedStyle(slider).opacity"))
    for text in ("ink", "soft", "accent", "warm"):
        for ground in ("paper", "panel"):
            assert _contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    assert _contrast(colours["on-accent"], colours["accent"]) >= 4.5
    assert _contrast(colours["wave"], colours["panel"]) >= 3.0
    slider = _mixed(colours["accent"], colours["paper"], opacity)
    assert _contrast(slider, colours["paper"]) >= 3.0
    brightness = float(changed.removeprefix("brightness(").removesuffix(")"))
    drawn = _mixed(INK, "#000000", brightness)
    assert _contrast(drawn, colours["panel"]) >= 4.5


def _mixed(one: str, other: str, share: float) -> str:
    """Return a colour that lies between two others, or beyond the first."""
    pairs = [[int(colour.strip()[at : at + 2], 16) for colour in (one, other)] for at in (1, 3, 5)]
    parts = [min(255, round(share * here + (1.0 - share) * there)) for here, there in pairs]
    return "#{:02x}{:02x}{:02x}".format(*parts)


def _contrast(one: str, other: str) -> float:
    """Return the contrast ratio as WCAG 2.2 defines it."""
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour.strip()[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("letters", ["100%", "200%"])
def test_a_phone_needs_no_scrolling_sideways(browser: Browser, file: Path, letters: str) -> None:
    """WCAG 2.2, 1.4.4: with letters twice as large too."""
    with page_browser.opened(browser, file, viewport=page_browser.NARROW) as page:
        page.add_style_tag(content=f"html {{ font-size: {letters} }}")
        page.locator("summary", has_text="Keys").click()
        for tab, start in (("Listen", ""), ("Blind test", "test"), ("Ranking", "ranking")):
            page.get_by_role("tab", name=tab).click()
            assert _overhang(page) <= 0
            if start:
                page.get_by_role("button", name=f"Start the {start}").click()
                expect(page.get_by_role("slider", name="Position")).to_be_visible()
                assert _overhang(page) <= 0
            if start == "test":
                page.locator("summary", has_text="Stop early").click()
                page.get_by_role("button", name="Stop the test").click()


def _overhang(page: Page) -> int:
    return int(page.evaluate("document.documentElement.scrollWidth - innerWidth"))
