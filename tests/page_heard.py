"""What the page's player sent to the sound card, beside what ideal switching would have sent."""

import io
from itertools import pairwise

import numpy as np
import soundfile as sf
from playwright.sync_api import Page

from carrierfloor.cli import compare_page
from tests import page_browser
from tests.clips import Array
from tests.page_content import RATE_HZ, content

FADE_SAMPLES = 480  # 10 ms, as the page says


def stored(point: str) -> list[Array]:
    """Return the versions of the first phrase as libsndfile reads them; each begins by a fade."""
    tracks = [version.tracks[point] for version in content().phrases[0].versions]
    read = [sf.read(io.BytesIO(compare_page.flac(track)))[0] for track in tracks]
    return [samples * _risen(np.arange(float(len(samples)))) for samples in read]


def wait_played(page: Page, seconds: float) -> None:
    """Wait until so much has been played: the browser's audio clock decides, not this one."""
    page.evaluate(
        """async (seconds) => {
          const { context } = window.comparePage.app.player.output;
          const until = context.currentTime + seconds;
          while (context.currentTime < until) await new Promise((go) => setTimeout(go, 10));
        }""",
        seconds,
    )


class Heard:
    """A recording of one run of the player, from its start.

    Ideal: all versions run from one instant and repeat; at each switch one raised cosine of 10 ms
    falls while another rises.  Only the instants and the order come from the page.

    Parameters
    ----------
    page : Page
        Which has played since :func:`page_browser.tap`.
    versions : list of ndarray
        What it played.
    known : list of int
        The versions heard first: enough to tell which gain is whose.
    """

    def __init__(self, page: Page, versions: list[Array], known: list[int]) -> None:
        self.first, self.samples = page_browser.tapped(page)
        asked = page.evaluate("window.asked")
        ((begun_s, offset_s), *others) = asked["starts"]
        assert all(start == [begun_s, offset_s] for start in others)
        rises = [(when, gain) for when, end, gain in asked["curves"] if end == 1.0]
        assert rises[0][0] == begun_s  # the fade in; after it one for each switch
        self.switches_s = [when for when, _ in rises[1:]]
        falls = [(when, gain) for when, end, gain in asked["curves"] if end == 0.0]
        assert [when for when, _ in falls] == self.switches_s
        whose = {falls[0][1]: known[0]}
        whose |= {gain: version for (_, gain), version in zip(rises[1:], known[1:], strict=False)}
        self.order = [known[0], *(whose[gain] for _, gain in rises[1:])]
        self._place(round(begun_s * RATE_HZ), round(offset_s * RATE_HZ), versions)

    def _place(self, begun: int, offset: int, versions: list[Array]) -> None:
        self.begun = begun - self.first
        self.place = np.arange(self.first, self.first + len(self.samples)) - begun
        turned = (self.place + offset) % len(versions[0])
        self.repeated = [version[turned] for version in versions]
        # Where the end blends into the beginning.
        self.repeats = turned >= len(versions[0]) - FADE_SAMPLES

    def ideal(self, *, hard: bool = False) -> Array:
        """Return what should have come; ``hard`` switches without a fade."""
        gains = [np.zeros(len(self.samples)) for _ in self.repeated]
        gains[self.order[0]] += 1.0
        for (before, after), at_s in zip(pairwise(self.order), self.switches_s, strict=True):
            rise = _risen(self.first + np.arange(len(self.samples)) - at_s * RATE_HZ)
            step = np.where(rise > 0.0, 1.0, 0.0) if hard else rise
            gains[before] -= step
            gains[after] += step
        return np.asarray(sum(g * x for g, x in zip(gains, self.repeated, strict=True)))

    def error(self, *, hard: bool = False) -> Array:
        """Return how far it is from the ideal, as a part of its peak; 0 where nothing is told.

        That is during the fade in and where the end of the phrase blends into its beginning.
        """
        error = np.abs(self.samples - self.ideal(hard=hard)) / np.max(np.abs(self.samples))
        error[(self.place < FADE_SAMPLES) | self.repeats] = 0.0
        return np.asarray(error)

    def steady(self, number: int) -> slice:
        """Return the whole phrase that is heard last before a switch or the end."""
        ends = [*self.switches_s, (self.first + len(self.samples)) / RATE_HZ]
        end = round(ends[number] * RATE_HZ) - self.first - 10
        return slice(end - len(stored("card")[0]), end)


def _risen(samples: Array) -> Array:
    """Return a raised cosine over 10 ms from 0 on: 0 before, 1 after (closed form)."""
    return np.asarray((1.0 - np.cos(np.pi * np.clip(samples / FADE_SAMPLES, 0.0, 1.0))) / 2.0)
