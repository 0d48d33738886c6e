"""A real browser for the page of ``compare``: headless Chromium, driven by clicks and keys."""

import base64
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.audio_server import REQUIRE

Floats = NDArray[np.float32]

OPTIONS = (
    "--no-sandbox",
    "--disable-gpu",
    "--autoplay-policy=no-user-gesture-required",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
WIDE = {"width": 1280, "height": 900}
NARROW = {"width": 390, "height": 844}
LONGEST_MS = 30_000  # what should happen is waited for so long: others may use the machine too

# Notes what the page asks of the audio graph.  A busy page may start too late, stop that at once,
# before anything is heard, and start again: such a start counts as none.
WATCH_GRAPH = """
window.asked = { curves: [], starts: [] };
const gains = new Map();
const { setValueCurveAtTime } = AudioParam.prototype;
AudioParam.prototype.setValueCurveAtTime = function (curve, when_s, ...rest) {
  if (!gains.has(this)) gains.set(this, gains.size);
  window.asked.curves.push([when_s, curve.at(-1), gains.get(this)]);
  return setValueCurveAtTime.call(this, curve, when_s, ...rest);
};
const begun = new Map();
const { start, stop } = AudioBufferSourceNode.prototype;
AudioBufferSourceNode.prototype.start = function (when_s, offset_s) {
  begun.set(this, [when_s, offset_s]);
  window.asked.starts.push(begun.get(this));
  return start.call(this, when_s, offset_s);
};
AudioBufferSourceNode.prototype.stop = function (...when_s) {
  if (when_s.length === 0) {
    const given_up = begun.get(this);
    const { asked } = window;
    asked.starts = asked.starts.filter((one) => one !== given_up);
    asked.curves = asked.curves.filter(([at_s]) => at_s !== given_up[0]);
  }
  return stop.call(this, ...when_s);
};
"""

# Records what the player sends to the sound card, on the audio thread, so that nothing is lost.
TAP = """
async () => {
  const code = `registerProcessor("tap", class extends AudioWorkletProcessor {
    process([input]) {
      this.port.postMessage([currentFrame, input[0] ? input[0].slice() : new Float32Array(128)]);
      return true;
    }
  });`;
  const { output } = window.comparePage.app.player;
  await output.context.audioWorklet.addModule(`data:text/javascript,${encodeURIComponent(code)}`);
  const node = new AudioWorkletNode(output.context, "tap");
  window.tapped = [];
  // The graph takes a new node in with a jump, of which a busy page may hear late: blocks that
  // follow each other are waited for, not a time.
  await new Promise((go) => {
    node.port.onmessage = ({ data }) => {
      if (window.tapped.length && data[0] !== window.tapped.at(-1)[0] + 128) window.tapped = [];
      window.tapped.push(data);
      if (window.tapped.length === 64) go();
    };
    output.connect(node).connect(output.context.destination);
  });
  node.port.onmessage = ({ data }) => window.tapped.push(data);
  window.tapped.length = 0;
}
"""

TAKE = """
() => {
  const blocks = window.tapped;
  const samples = new Float32Array(128 * blocks.length);
  blocks.forEach(([, block], place) => samples.set(block, 128 * place));
  const bytes = new Uint8Array(samples.buffer);
  let text = "";
  for (let i = 0; i < bytes.length; i += 32768)
    text += String.fromCharCode(...bytes.subarray(i, i + 32768));
  return [blocks.map(([frame]) => frame), btoa(text)];
}
"""


@contextmanager
def chromium() -> Iterator[Browser]:
    """Run a browser with a fresh profile; skip, or fail where it is required, without one."""
    program = shutil.which("chromium")
    if program is None:
        reason = "needs chromium"
        if os.environ.get(REQUIRE):
            pytest.fail(f"{reason}, and {REQUIRE} is set")
        pytest.skip(reason)
    expect.set_options(timeout=LONGEST_MS)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=list(OPTIONS))
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened(browser: Browser, file: Path, **settings: Any) -> Iterator[Page]:
    """Open a page from its file; at the end nothing may have been complained of or fetched.

    ``settings`` are those of a browser context; the viewport is wide if none is given.
    """
    # The tests' own recorder is not in the page's policy, which is tested apart.
    settings = {"viewport": WIDE, "bypass_csp": True, **settings}
    context = browser.new_context(**settings)
    complaints: list[str] = []
    fetched: list[str] = []
    page = context.new_page()
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("request", lambda request: fetched.append(request.url))
    page.add_init_script(WATCH_GRAPH)
    page.goto(file.as_uri())
    page.wait_for_function("window.comparePage.app.player.length > 0")
    try:
        yield page
    finally:
        context.close()
    assert complaints == [], complaints
    assert [url for url in fetched if not url.startswith(("data:", "blob:"))] == [file.as_uri()]


def tap(page: Page) -> None:
    """Begin to record the player's output."""
    page.evaluate(TAP)


def tapped(page: Page) -> tuple[int, Floats]:
    """Return the frame at which the recording begins, and all of it so far.

    While the page changes the graph, the browser tells a block the frame of the one before; block
    follows block all the same, as the next frame that is told proves.
    """
    frames, text = page.evaluate(TAKE)
    begins = np.asarray(frames) - 128 * np.arange(len(frames))
    told = begins[1:][np.diff(frames) != 0]
    assert len(set(told)) == 1, f"gaps among {len(frames)} blocks: they begin at {set(told)}"
    return int(told[0]), np.frombuffer(base64.b64decode(text), np.float32)
