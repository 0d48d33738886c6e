"""What the live console says in words: state, voices, rig, audio loop, recording."""

from rich.text import Text

from carrierfloor.cli.console_words import (
    BAD,
    GAP,
    GOOD,
    PLAIN,
    QUIET,
    WARNING,
    clean,
    duration,
    fitted,
    flow,
    number,
    wrapped,
)
from carrierfloor.cli.live_status import ENDED, MUTED, ON_AIR, SILENT, STARTING, Latency, LiveStatus

CAUTION = "Dummy load first: set levels into a dummy load before you go on the air."
STATES = {
    STARTING: (" STARTING ", "bold reverse yellow", "silent until sound is seen to move"),
    ON_AIR: (" AUDIO ON ", "bold reverse green", "sound goes to the transmitter"),
    MUTED: (" MUTED ", "bold reverse yellow", "m lets the sound through again"),
    SILENT: (" SILENT ", "bold reverse red", "no sound goes out"),
    ENDED: (" ENDED ", "bold reverse", ""),
}


def state_line(status: LiveStatus, width: int) -> Text:
    """Say in one line whether sound goes out, and since when all this runs."""
    badge, style, words = STATES.get(status.state, (f" {clean(status.state)} ", "bold reverse", ""))
    right = f"running {duration(status.elapsed_s)}{GAP}{clean(status.clock)} "
    line = Text.assemble((badge, style), f"  {words}")
    free = width - len(right)
    if line.cell_len > free - 1:
        line = Text(badge, style=style)
    return fitted(Text.assemble(fitted(line, max(free, 0)), right), width)


def caution_lines(status: LiveStatus, width: int) -> list[Text]:
    """Return the caution while the session starts."""
    return wrapped(CAUTION, width, 4, WARNING) if status.state == STARTING else []


def voice_lines(status: LiveStatus, width: int, *, is_short: bool) -> list[Text]:
    """Say which voice is heard and, unless short, which are ready."""
    names = {key: _voice(clean(key), clean(name)) for key, name in status.voices}
    items = [_item("Voice", names.get(status.heard, clean(status.heard)), "bold")]
    if status.drive_db is not None:
        items.append(_item("Drive", f"{number(status.drive_db, '+.1f', 'dB'):>8}"))
    items.append(Text("voices matched" if status.is_matched else "not matched"))
    ready = " or ".join(words for key, words in names.items() if key != status.heard)
    if ready and not is_short:
        items.append(_item("Ready", ready))
    return flow(items, width)


def _voice(key: str, name: str) -> str:
    """Name a voice once only where its key says it all, as with bypass."""
    return key if key == name.lower() else f"{key} {name}"


def rig_lines(status: LiveStatus, width: int, *, is_short: bool) -> list[Text]:
    """Say what the transmitter is and, unless short, where the sound comes from and goes to."""
    limits = f"-{status.negative_limit_pct:.4g} % +{status.positive_limit_pct:.4g} %"
    items = [_item("Rig", clean(status.rig)), _item("Limits", limits)]
    if status.is_equalised:
        items.append(Text("equalised"))
    if not is_short:
        devices = f"{clean(status.input_device)} → {clean(status.output_device)}"
        rate = f"{status.sample_rate_hz / 1000:g} kHz, {status.block_frames} frames"
        items += [_item("Sound", devices), Text(rate)]
    return flow(items, width)


def loop_lines(status: LiveStatus, width: int, *, is_short: bool) -> list[Text]:
    """Say how the audio loop does, how late the sound is, and what is recorded."""
    loop = status.loop
    load = f"median {_load(loop.load_median_pct)}, p99 {_load(loop.load_p99_pct)}, "
    is_late = loop.input_overflows > 0 or loop.output_underflows > 0
    xruns = f"{loop.input_overflows} in {loop.output_underflows} out"
    items = [
        _item("Load", f"{load}max {_load(loop.load_max_pct)} %"),
        _item("Xruns", xruns, WARNING if is_late else PLAIN),
        _item("Cuts", str(loop.cuts)),
        _item("Restarts", str(loop.restarts), WARNING if loop.restarts else PLAIN),
    ]
    if status.drift_ppm is not None:
        drift = f"{number(status.drift_ppm, '+.1f', 'ppm'):>10}"
        slips = f", {status.slips} slips" if status.slips else ""
        items.append(_item("Drift", drift + slips, WARNING if slips else PLAIN))
    items += [_item("Latency", _latency(status.latency, is_short)), _recording(status)]
    if status.marks:
        items.append(_item("Marks", str(status.marks)))
    return flow(items, width)


def _latency(latency: Latency, is_short: bool) -> str:
    total = number(latency.total_ms, unit="ms")
    if is_short:
        return total
    server = "unknown" if latency.server_ms is None else number(latency.server_ms)
    parts = f"chain {number(latency.chain_ms)} buffers {number(latency.buffers_ms)}"
    return f"{total}: {parts} server {server}"


def _recording(status: LiveStatus) -> Text:
    if not status.recording:
        return Text("not recording", style=QUIET)
    lost = status.recording_lost_s > 0.0
    words = f"{duration(status.recorded_s)} {clean(status.recording)}"
    words += f" LOST {number(status.recording_lost_s, '.2f', 's')}" if lost else ""
    return _item("Recording", words, BAD if lost else GOOD)


def _load(share_pct: float) -> str:
    return f"{number(share_pct, '.0f'):>3}"


def _item(name: str, words: str, style: str = PLAIN) -> Text:
    return Text.assemble((f"{name} ", QUIET), (words, style))
