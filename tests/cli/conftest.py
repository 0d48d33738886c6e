"""What the tests of the page share: a browser, and a page on the disk."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from carrierfloor.cli import compare_page
from tests import page_browser
from tests.page_content import content


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with page_browser.chromium() as browser:
        yield browser


@pytest.fixture(scope="module", name="file")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("page") / "page.html"
    compare_page.write_page(content(), file)
    return file
