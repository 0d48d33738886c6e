"""A moment of a live session as one flat row, with units in the names of its keys."""

import math
from collections.abc import Callable
from datetime import datetime
from typing import Any

from carrierfloor.cli.live_status import LiveStatus

Row = dict[str, Any]
Read = Callable[[LiveStatus], Any]
DECIMALS = 3


def _of(name: str) -> Read:
    """Return a reading that stands in the status itself, or in a part of it."""
    path = name.split(".")

    def read(status: LiveStatus) -> Any:
        value: Any = status
        for part in path:
            value = getattr(value, part)
        return value

    return read


def _heard_name(status: LiveStatus) -> str:
    return dict(status.voices).get(status.heard, "")


# What does not exist, such as the gain of a stage that the voice does not have, is null in JSON
# and empty in CSV.
_COLUMNS: dict[str, tuple[Read, str]] = {
    "elapsed_s": (_of("elapsed_s"), "since the session began"),
    "state": (_of("state"), "starting, on, muted, silent or ended"),
    "message": (_of("message"), "the newest remark"),
    "voice_key": (_of("heard"), "key of the voice that is heard"),
    "voice_name": (_heard_name, "its name"),
    "drive_db": (_of("drive_db"), "gain ahead of its clipper; null if it has no drive stage"),
    "voices_matched": (_of("is_matched"), "whether the voices are brought to one loudness"),
    "rig": (_of("rig"), "name of the rig document"),
    "negative_limit_pct": (_of("negative_limit_pct"), "deepest trough allowed at the antenna"),
    "positive_limit_pct": (_of("positive_limit_pct"), "highest crest allowed at the antenna"),
    "equalised": (_of("is_equalised"), "whether the rig's equaliser is on"),
    "input_peak_dbfs": (_of("meters.input_peak_dbfs"), "highest sample of the last 0.1 s"),
    "input_hold_dbfs": (_of("meters.input_hold_dbfs"), "the highest, held for 2 s"),
    "input_zeros_only": (_of("meters.input_is_silent"), "true after 2 s of nothing but zeros"),
    "gate_gain_db": (_of("meters.gate_db"), "gain of the gate; null without one"),
    "leveller_gain_db": (_of("meters.leveller_db"), "gain of the leveller; null without one"),
    "compressor_gain_db": (_of("meters.compressor_db"), "gain of the compressor; null without"),
    "clipper_depth_db": (_of("meters.clipper_db"), "how deep the clipper clips; null without one"),
    "limiter_gain_db": (_of("meters.limiter_db"), "least gain of the limiter in the last 0.1 s"),
    "negative_peak_pct": (
        _of("meters.negative_pct"),
        "deepest predicted trough at the antenna of the last 0.1 s; 100 % is carrier cut-off",
    ),
    "negative_hold_pct": (_of("meters.negative_hold_pct"), "the deepest, held for 2 s"),
    "negative_max_pct": (_of("meters.negative_max_pct"), "the deepest since the session began"),
    "positive_peak_pct": (
        _of("meters.positive_pct"),
        "highest predicted crest at the antenna of the last 0.1 s",
    ),
    "positive_hold_pct": (_of("meters.positive_hold_pct"), "the highest, held for 2 s"),
    "positive_max_pct": (_of("meters.positive_max_pct"), "the highest since the session began"),
    "density_pct": (
        _of("meters.density_pct"),
        "rms of m during active speech (ITU-T P.56) of the last 5 s, on the first path",
    ),
    "card_peak_dbfs": (_of("meters.card_peak_dbfs"), "highest sample sent in the last 0.1 s"),
    "load_median_pct": (_of("loop.load_median_pct"), "share of a block's time the callback took"),
    "load_p99_pct": (_of("loop.load_p99_pct"), "the same, 99 of 100 callbacks took less"),
    "load_max_pct": (_of("loop.load_max_pct"), "the same, longest callback"),
    "input_overflows": (_of("loop.input_overflows"), "since the session began"),
    "output_underflows": (_of("loop.output_underflows"), "since the session began"),
    "cuts": (_of("loop.cuts"), "how often the output was cut and begun anew"),
    "restarts": (_of("loop.restarts"), "how often the devices were opened again"),
    "chain_latency_ms": (_of("latency.chain_ms"), "delay of the chain"),
    "buffers_latency_ms": (_of("latency.buffers_ms"), "of blocks and rate conversion"),
    "server_latency_ms": (_of("latency.server_ms"), "of the rest; null if it is not known"),
    "drift_ppm": (_of("drift_ppm"), "of the input's clock against the output's; null: one clock"),
    "slips": (_of("slips"), "how often the sound between the two was lost and taken up again"),
    "marks": (_of("marks"), "how many were set"),
    "recording": (_of("recording"), "file of the recording; empty if there is none"),
    "recorded_s": (_of("recorded_s"), "length of the recording"),
    "recording_lost_s": (_of("recording_lost_s"), "what the recording misses"),
}
KEYS = {
    "time": "local time of the computer, ISO 8601",
    **{key: meaning for key, (_, meaning) in _COLUMNS.items()},
}


def row_of(status: LiveStatus) -> Row:
    """Return a moment as a row with all of ``KEYS``, in their order."""
    now = datetime.now().astimezone().isoformat(timespec="milliseconds")
    return {"time": now, **{key: _plain(read(status)) for key, (read, _) in _COLUMNS.items()}}


def _plain(value: Any) -> Any:
    """Round a number; what is none or has no end becomes null."""
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0 if math.isfinite(value) else None
    return value
