"""The page where there is little room, or where the system lays down the colours."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from carrierfloor.cli import compare_page
from tests import page_browser
from tests.page_content import nine_versions

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
