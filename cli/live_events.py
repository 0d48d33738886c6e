"""What has happened between two moments of a live session."""

from dataclasses import dataclass

from carrierfloor.cli.live_status import LiveStatus

# Every event with the meaning of its detail.
EVENTS = {
    "start": "the log begins; the input and the output device",
    "state": "the state changed; to which, with the remark if there is a new one",
    "voice": "another voice is heard; its key and name",
    "drive": "the drive of the voice that is heard was changed; to how many dB",
    "match": "matching the voices' loudness was turned on or off",
    "rig": "another rig; its name",
    "mark": "a mark was set; its number",
    "xrun": "samples were lost at a sound card; how often at the input and at the output",
    "cut": "the output was cut and begun anew; how often in all",
    "restart": "the devices were opened again; how often in all",
    "recording": "the recording misses something; how much in all",
    "message": "a remark",
}


@dataclass(frozen=True)
class Event:
    """Something that happened."""

    name: str  # one of EVENTS
    detail: str


def events_between(before: LiveStatus | None, after: LiveStatus) -> list[Event]:
    """Return what has happened from one moment to a later one; ``None`` is before the first."""
    if before is None:
        return [Event("start", f"{after.input_device}, {after.output_device}")]
    events = [*_steering(before, after), *_troubles(before, after)]
    is_told = any(event.name == "state" for event in events)
    if after.message != before.message and after.message and not is_told:
        events.append(Event("message", after.message))
    return events


def _steering(before: LiveStatus, after: LiveStatus) -> list[Event]:
    """Return what the user, or the session, has changed."""
    events = []
    if after.state != before.state:
        news = f": {after.message}" if after.message != before.message and after.message else ""
        events.append(Event("state", f"{after.state}{news}"))
    if after.heard != before.heard:
        name = dict(after.voices).get(after.heard, "")
        events.append(Event("voice", f"{after.heard} {name}".strip()))
    elif after.drive_db != before.drive_db:
        drive = "none" if after.drive_db is None else f"{after.drive_db:+.1f} dB"
        events.append(Event("drive", drive))
    if after.is_matched != before.is_matched:
        events.append(Event("match", "on" if after.is_matched else "off"))
    if after.rig != before.rig:
        events.append(Event("rig", after.rig))
    events += [Event("mark", str(n)) for n in range(before.marks + 1, after.marks + 1)]
    return events


def _troubles(before: LiveStatus, after: LiveStatus) -> list[Event]:
    events = []
    old, new = before.loop, after.loop
    lost_in = new.input_overflows - old.input_overflows
    lost_out = new.output_underflows - old.output_underflows
    if lost_in or lost_out:
        events.append(Event("xrun", f"{lost_in} in, {lost_out} out"))
    if new.cuts != old.cuts:
        events.append(Event("cut", str(new.cuts)))
    if new.restarts != old.restarts:
        events.append(Event("restart", str(new.restarts)))
    if after.recording_lost_s > before.recording_lost_s:
        events.append(Event("recording", f"{after.recording_lost_s:.2f} s lost"))
    return events
