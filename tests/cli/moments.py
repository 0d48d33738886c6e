"""Moments of a live session, as the tests of what shows them need them."""

import math
from typing import Any

from carrierfloor.cli.live_status import ON_AIR, Latency, LiveStatus, Loop, Meters

ENVELOPE = tuple(
    (-0.95 * abs(math.sin(0.02 * n)) ** 3, 1.2 * abs(math.sin(0.02 * n)) ** 3) for n in range(400)
)
TRAPEZOID = tuple((0.9 * math.sin(0.1 * n), 0.9 * math.sin(0.1 * n + 0.1)) for n in range(400))


def meters(**changes: Any) -> Meters:
    """Return meters while somebody speaks."""
    values: dict[str, Any] = {
        "input_peak_dbfs": -14.2,
        "input_hold_dbfs": -9.1,
        "input_is_silent": False,
        "gate_db": -1.5,
        "leveller_db": 4.2,
        "compressor_db": -5.1,
        "clipper_db": 6.3,
        "limiter_db": -0.8,
        "negative_pct": 71.4,
        "positive_pct": 88.8,
        "negative_hold_pct": 94.9,
        "positive_hold_pct": 119.4,
        "negative_max_pct": 95.02,
        "positive_max_pct": 121.3,
        "density_pct": 38.2,
        "card_peak_dbfs": -7.0,
    }
    return Meters(**{**values, **changes})


def moment(**changes: Any) -> LiveStatus:
    """Return a moment on the air."""
    values: dict[str, Any] = {
        "elapsed_s": 754.0,
        "clock": "14:02:11",
        "state": ON_AIR,
        "message": "voice B was read again",
        "input_device": "USB microphone",
        "output_device": "USB codec",
        "voices": (("A", "Everyday"), ("B", "Dense"), ("bypass", "Bypass")),
        "rig": "Plate modulated",
        "drive_db": 12.0,
        "is_matched": True,
        "meters": meters(),
        "loop": Loop(load_median_pct=9.0, load_p99_pct=14.0, load_max_pct=31.0, cuts=1),
        "latency": Latency(chain_ms=13.4, buffers_ms=10.7, server_ms=21.3),
        "drift_ppm": 12.3,
        "marks": 2,
        "recording": "evening.wav",
        "recorded_s": 700.0,
        "envelope": ENVELOPE,
        "trapezoid": TRAPEZOID,
    }
    return LiveStatus(**{**values, **changes})
