"""The command ``voices``: list, show and check how speech is shaped."""

from collections.abc import Sequence
from importlib.metadata import entry_points

from rich.text import Text

from carrierfloor import presets
from carrierfloor.cli import documents, screen
from carrierfloor.cli.keys import add_settings, key_table, settings_of, settings_table
from carrierfloor.cli.validation import validate_files
from carrierfloor.dsp.voice import BUILT_IN, PLUGIN_GROUP, design_type


def list_all() -> int:
    """List the shipped voices."""
    table = screen.table()
    table.add_column("Voice", style="bold", no_wrap=True)
    table.add_column("Band", justify="right", no_wrap=True)
    table.add_column("Drive", justify="right", no_wrap=True)
    table.add_column("What it is")
    for name in presets.names("voices"):
        voice = presets.voice(name)
        values = {key: value for stage in voice.stages for key, value, _ in settings_of(stage)}
        default = " (default)" if name == presets.DEFAULT_VOICE else ""
        table.add_row(
            name,
            values.get("cutoff_hz", ""),
            values.get("drive_db", ""),
            f"{voice.description or voice.name}{default}",
        )
    screen.results().print(table)
    return 0


def show(name_or_file: str) -> int:
    """Show the stages of a voice with all their settings."""
    voice = documents.voice(name_or_file)
    console = screen.results()
    console.print(Text(voice.name, style="bold"))
    if voice.description:
        console.print(voice.description)
    table = settings_table("Stage")
    for number, stage in enumerate(voice.stages, 1):
        add_settings(table, f"{number} {stage.kind}", stage)
    console.print()
    console.print(table)
    console.print("\nThe predictive limiter and the output follow every voice.", style=screen.QUIET)
    for warning in voice.warnings:
        console.print(f"Note: {warning}.", style=screen.NOTE)
    return 0


def validate(files: Sequence[str]) -> int:
    """Check voice files; say what is wrong with each."""
    return validate_files(files, documents.voice)


def keys(*kinds: str) -> int:
    """List every key that a voice file may hold."""
    console = screen.results()
    plugins = [point.name for point in entry_points(group=PLUGIN_GROUP)]
    if not kinds:
        console.print(
            "A voice file holds name, description and, in their order, the stages: each a table\n"
            "headed [[stages]] with its kind and any of that kind's keys.\n"
        )
    for kind in kinds or (*BUILT_IN, *plugins):
        design = design_type(kind, "voices keys")
        first_line = (design.__doc__ or "").strip().partition("\n")[0]
        console.print(key_table(f'kind = "{kind}": {first_line}', design))
        console.print()
    return 0
