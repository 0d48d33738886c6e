"""What tests of one command share: a browser and a page on the disk, and limited speech."""

import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile as sf
from playwright.sync_api import Browser

from carrierfloor.cli import compare_page
from carrierfloor.dsp.rig import rig_from_table
from tests import page_browser
from tests.cli.on_the_air import RATE_HZ, limited, rig_text
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


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Speech limited for the rig of ``tests.cli.on_the_air``, as a sound file."""
    file = tmp_path_factory.mktemp("played") / "played.wav"
    rig = rig_from_table(tomllib.loads(rig_text()), "rig")
    sf.write(file, limited(rig), RATE_HZ, subtype="FLOAT")
    return file
