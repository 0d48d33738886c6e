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
from collections.abc import Mapping, Sequence
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

    Their places are taken from the first look, so begin it when the streams are open.  A thread
    asks the server, so that nobody else waits for it.  Without ``pactl`` (of PulseAudio 16 or
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
        self._is_told, self._is_sure = False, False
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
        return self._is_sure and self._thread is not None and self._thread.is_alive()

    def moved(self) -> str | None:
        """Return what has happened to a stream, on one line; ``None`` while all are in place."""
        return self._notice

    def close(self) -> None:
        """End the watch."""
        if self._thread is not None:
            self._end_events()
            self._thread.join(CLOSING_S)

    @property
    def _has_streams(self) -> bool:
        return any(self._places.values())

    # On the thread.

    def _work(self) -> None:
        begun_s = time.monotonic()
        while self._notice is None:
            is_settled = self._look()
            if not self._has_streams and time.monotonic() - begun_s > FINDING_S:
                break
            if not self._wait_for_event(None if is_settled else LOOK_S):
                break
        self._end_events()
        self._events.wait()
        if self._events.stdout is not None:
            self._events.stdout.close()

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
            if not self._is_told or any(event in lines for event in EVENTS):
                self._is_told = True
                break
        return True

    def _look(self) -> bool:
        """Compare; return whether all is in place and the server will tell if it is not.

        It tells of this very look too, once it does at all.
        """
        is_told = self._is_told
        listing = self._listing()
        if listing is None:
            return False
        for what, (_, streams, device, devices) in KINDS.items():
            names = {one["index"]: one["name"] for one in listing.get(devices, ())}
            self._compare(what, self._count(listing.get(streams, ()), device, names), names)
        self._is_sure = self._is_sure or (is_told and self._has_streams)
        return self._is_sure and not self._missing_since_s

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

    def _count(self, streams: Sequence[Any], device: str, names: Mapping[int, str]) -> Counter[str]:
        """Count this process's streams on each device."""
        return Counter(
            names.get(one[device], f"device {one[device]}")
            for one in streams
            if one["properties"].get("application.process.id") == self._process_id
        )

    def _compare(self, what: str, now: Counter[str], names: Mapping[int, str]) -> None:
        missing, more = self._places[what] - now, now - self._places[what]
        now_s = time.monotonic()
        if not missing:
            self._places[what] = now
            self._missing_since_s.pop(what, None)
            return
        place = min(missing)
        since_s = self._missing_since_s.setdefault(what, now_s)
        if more:
            self._notice = f"the sound server moved the {what} from {place} to {min(more)}"
        elif place not in names.values():
            self._notice = f"{place}, where the {what} was, is gone from the sound server"
        elif now_s - since_s > GRACE_S:
            self._notice = f"the sound server closed the {what} on {place}"
