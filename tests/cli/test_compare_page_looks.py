"""What the page shows: with little room, in colours of the system, of versions that differ."""

from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from carrierfloor.cli import compare_page
from carrierfloor.cli.compare_content import Figure, Phrase
from tests import page_browser
from tests.page_content import content, nine_versions

SMALL_PHONE = {"width": 375, "height": 667}
ZOOMED = {"width": 640, "height": 400}  # 1280 x 800 at 200 %

# How much of the element with the focus is covered by others, at nine heights in its middle.
COVERED = """
() => {
  const one = document.activeElement;
  if (one === document.body) return null;
  const { left, right, top, bottom } = one.getBoundingClientRect();
  const seen = (part) =>
    document.elementFromPoint((left + right) / 2, top + 2 + part * (bottom - top - 4));
  const parts = [0, 0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875, 1];
  const covered = parts.filter((part) => {
    const there = seen(part);
    return !there || (there !== one && !one.contains(there) && !there.contains(one));
  });
  return [one.ariaLabel ?? one.textContent, covered.length];
}
"""


@pytest.fixture(scope="module")
def nine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("nine") / "page.html"
    compare_page.write_page(nine_versions(), file)
    return file


def test_all_nine_versions_are_in_sight_on_a_phone(browser: Browser, nine: Path) -> None:
    """None hides where only scrolling inside their bar would show it; WCAG 2.2, 2.5.8: 24 px."""
    with page_browser.opened(browser, nine, viewport=SMALL_PHONE) as page:
        for version in page.get_by_role("group", name="Version").get_by_role("button").all():
            expect(version).to_be_in_viewport(ratio=0.99)
            box = version.bounding_box()
            assert box
            assert box["height"] >= 24


def test_the_versions_stay_in_sight_while_the_last_card_is_read(
    browser: Browser, nine: Path
) -> None:
    with page_browser.opened(browser, nine, viewport=page_browser.NARROW) as page:
        last = page.get_by_role("article").last.get_by_role("img").last
        last.scroll_into_view_if_needed()
        expect(last).to_be_in_viewport()
        for version in page.get_by_role("group", name="Version").get_by_role("button").all():
            expect(version).to_be_in_viewport(ratio=0.99)


def test_long_names_without_spaces_need_no_scrolling_sideways(
    browser: Browser, tmp_path: Path
) -> None:
    given = content(seconds=(0.5,), versions=2)
    versions = [
        replace(version, name=60 * letter)
        for version, letter in zip(given.phrases[0].versions, "ab", strict=True)
    ]
    file = tmp_path / "page.html"
    phrase = Phrase(name=100 * "p", versions=versions)
    compare_page.write_page(replace(given, phrases=[phrase]), file)
    with page_browser.opened(browser, file, viewport=SMALL_PHONE) as page:
        page.locator("summary", has_text="Keys").click()
        for press in ((), ("Blind test", "Start the test", "Stop early", "Stop the test")):
            for name in press:
                page.get_by_text(name, exact=True).click()
            assert page.evaluate("document.documentElement.scrollWidth") == SMALL_PHONE["width"]
        expect(page.get_by_text("Stopped after 0 of 16 trials")).to_be_visible()
        expect(page.get_by_role("table")).to_have_count(0)


@pytest.mark.parametrize("viewport", [ZOOMED, SMALL_PHONE])
def test_what_has_the_focus_is_not_covered(
    browser: Browser, nine: Path, viewport: dict[str, int]
) -> None:
    """WCAG 2.2, 2.4.12: nothing lies over it, not the bar that stays at the bottom either."""
    found = []
    with page_browser.opened(browser, nine, viewport=viewport) as page:
        page.keyboard.press("Tab")
        while (at := page.evaluate(COVERED)) is not None:
            found.append(at)
            page.keyboard.press("Tab")
    assert len(found) > 30
    assert [name for name, covered in found if covered] == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_forced_colours_show_what_is_chosen(browser: Browser, nine: Path, scheme: str) -> None:
    """Where backgrounds are the system's, the version, the point, the tab and the line show."""
    with page_browser.opened(browser, nine, forced_colors="active", color_scheme=scheme) as page:
        page.keyboard.press("2")
        grounds = {
            name: page.locator(name).evaluate_all(
                "(all) => all.map((one) => getComputedStyle(one).backgroundColor)"
            )
            for name in (".version", ".points label", "[role=tab]", ".needle, .deck")
        }
    versions = grounds.pop(".version")
    assert versions[1] not in versions[:1] + versions[2:]
    for name, (first, *others) in grounds.items():
        assert first not in others, name


def test_another_phrase_is_whole_however_fast_the_keys_come(browser: Browser, file: Path) -> None:
    """The next phrase and another point at once: the loop of the phrase before does not stay."""
    with page_browser.opened(browser, file) as page:
        page.keyboard.press("p")
        expect(page.locator(".time")).to_have_text("0.0 / 1.0 s")
        page.evaluate(
            """() => {
              for (const key of "pa")
                document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
            }"""
        )
        expect(page.locator(".time")).to_have_text("0.0 / 1.6 s")
        expect(page.locator(".loop")).to_have_text("Loop: whole phrase")


def test_what_is_unfolded_stays_so(browser: Browser, nine: Path) -> None:
    """Who reads what the figures say goes on reading at the next point, about that point."""
    with page_browser.opened(browser, nine) as page:
        page.get_by_text("What figures and pictures say").click()
        page.get_by_label("At the antenna").check()
        expect(page.get_by_role("article").first).to_contain_text("Figure of antenna")
        expect(page.get_by_text("How hard.")).to_be_visible()


def test_what_a_figure_says_is_told_for_each_version_it_differs_in(
    browser: Browser, tmp_path: Path
) -> None:
    """Two rigs have two limits; what all say alike stands there once, and without names."""
    given = content(seconds=(1.0,), versions=3)

    def limited(limit_pct: int) -> dict[str, list[Figure]]:
        trough = Figure(name="Trough", value="90", help=f"limit {limit_pct} %")
        return {"card": [trough, Figure(name="Cut-offs", value="0", help="each splatters")]}

    limits = zip(given.phrases[0].versions, (95, 90, 95), strict=True)
    versions = [replace(version, figures=limited(limit_pct)) for version, limit_pct in limits]
    file = tmp_path / "page.html"
    phrase = Phrase(name="Limits", versions=versions)
    compare_page.write_page(replace(given, phrases=[phrase]), file)
    with page_browser.opened(browser, file) as page:
        page.get_by_text("What figures and pictures say").click()
        said = page.locator(".help dd").all_inner_texts()
    assert said[:3] == ["Plain; Dense: limit 95 %", "Warm: limit 90 %", "each splatters"]
