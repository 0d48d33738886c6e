"""Notice that the sound server has moved a stream to another device.

PulseAudio does so when a device disappears, and PortAudio never hears of it: the microphone may
then be the monitor of our own output, which is feedback, or another one in the room.
"""

import json
import os
import select
import shutil
import subprocess
import threading
import time
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

# What the server calls a stream, all of them, what one is connected to, and all of those.
KINDS = {
    "microphone": ("source-output", "source_outputs", "source", "sources"),
    "output": ("sink-input", "sink_inputs", "sink", "sinks"),
}
EVENTS = tuple(stream.encode() for stream, _, _, _ in KINDS.values())
FINDING_S = 3.0  # a process that has no stream by then does not use this server
LOOK_S = 0.25  # between two looks while not all is known and in place
GRACE_S = 0.5  # ALSA's plug-in makes a stream anew when it ran dry; that took 6 ms
ANSWER_S = 2.0  # patience with a server that is frozen
CLOSING_S = 1.0
# Its input ends when this process does, however that ends; its output, when pactl does.
SUBSCRIBE = "pactl subscribe & exec >&-; read -r _; kill $! 2>&-; wait"


class ServerWatch:
    """Watch on which devices of the sound server the streams of a process are.

    Their places are taken from the first look, so begin it when the streams are open.  It works on
    a thread of its own and never waits for the server.  Without ``pactl`` (of PulseAudio 16 or
    newer), without a server or without a stream of that process within 3 s it watches nothing.

    Parameters
    ----------
    process_id : int
        Whose streams.
    """

    def __init__(self, process_id: int) -> None:
        self._process_id = str(process_id)
        self._notice: str | None = None
        self._places: dict[str, Counter[str]] = {what: Counter() for what in KINDS}
        self._missing_since_s: dict[str, float] = {}
        self._environment = {**os.environ, "LC_ALL": "C"}  # lines and numbers are translated else
        self._text = b""
        self._thread: threading.Thread | None = None
        if shutil.which("pactl") is not None:
            self._events = subprocess.Popen(
                ["sh", "-c", SUBSCRIBE],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=self._environment,
                start_new_session=True,  # Ctrl-C is not for it
            )
            self._thread = threading.Thread(target=self._work, name="server watch", daemon=True)
            self._thread.start()

    @property
    def is_watching(self) -> bool:
        """Whether there are streams on a server and it tells of changes."""
        return self._has_streams and self._thread is not None and self._thread.is_alive()

    def moved(self) -> str | None:
        """Return what has happened to a stream, on one line; ``None`` while all are in place."""
        return self._notice

    def close(self) -> None:
        """End the watch."""
        if self._thread is None:
            return
        self._end_events()
        self._thread.join(CLOSING_S + ANSWER_S)
        with suppress(subprocess.TimeoutExpired):
            self._events.wait(CLOSING_S)
        if not self._thread.is_alive() and self._events.stdout is not None:
            self._events.stdout.close()

    @property
    def _has_streams(self) -> bool:
        return any(self._places.values())

    # On the thread.

    def _work(self) -> None:
        begun_s = time.monotonic()
        while self._notice is None:
            is_sure = self._look()
            if not self._has_streams and time.monotonic() - begun_s > FINDING_S:
                break
            if not self._wait_for_event(None if is_sure else LOOK_S):
                break
        self._end_events()

    def _end_events(self) -> None:
        if self._events.stdin is not None:
            self._events.stdin.close()

    def _wait_for_event(self, patience_s: float | None) -> bool:
        """Wait for news of streams, or until it is time for another look; False at the end."""
        assert self._events.stdout is not None
        pipe = self._events.stdout.fileno()
        while select.select([pipe], [], [], patience_s)[0]:
            data = os.read(pipe, 1 << 16)
            if not data:
                return False
            lines, _, self._text = (self._text + data).rpartition(b"\n")
            if any(event in lines for event in EVENTS):
                break
        return True

    def _look(self) -> bool:
        """Compare; return whether there are streams and all are in place."""
        listing = self._listing()
        if listing is None:
            return False
        for what in KINDS:
            self._compare(what, self._places_now(what, listing))
        return self._has_streams and not self._missing_since_s

    def _listing(self) -> Mapping[str, Any] | None:
        """Ask the server for everything; ``None`` if it gives no answer."""
        try:
            done = subprocess.run(
                ["pactl", "--format=json", "list"],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                env=self._environment,
                timeout=ANSWER_S,
                check=True,
            )
            listing = json.loads(done.stdout.decode("utf-8", "replace"))
        except (subprocess.SubprocessError, OSError, ValueError):
            return None
        return listing if isinstance(listing, dict) else None

    def _places_now(self, what: str, listing: Mapping[str, Any]) -> Counter[str]:
        """Count this process's streams on each device."""
        _, streams, device, devices = KINDS[what]
        names = {one["index"]: one["name"] for one in listing.get(devices, ())}
        return Counter(
            names.get(one[device], f"device {one[device]}")
            for one in listing.get(streams, ())
            if one["properties"].get("application.process.id") == self._process_id
        )

    def _compare(self, what: str, now: Counter[str]) -> None:
        missing, more = self._places[what] - now, now - self._places[what]
        if not missing:
            self._places[what] = now
            self._missing_since_s.pop(what, None)
        elif more:
            self._notice = f"the sound server moved the {what} from {min(missing)} to {min(more)}"
        else:
            now_s = time.monotonic()
            if now_s - self._missing_since_s.setdefault(what, now_s) > GRACE_S:
                self._notice = f"the sound server closed the {what} on {min(missing)}"
