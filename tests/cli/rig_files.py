"""A rig file as a user may have written it, for the tests of changing one."""

from collections.abc import Callable
from datetime import date
from pathlib import Path

from carrierfloor.cli.rig_file import RigFile
from carrierfloor.dsp.path import Path as AudioPath
from carrierfloor.dsp.sections import Section
from tests.cli.files import left_over

DAY = date(2026, 11, 25)
FITTED = AudioPath(
    name="80 m",
    sections=(
        Section(kind="highpass", corner_hz=41.23456, q=0.712343),
        Section(kind="peak", centre_hz=900.0, gain_db=-1.23456, q=0.8),
        Section(kind="lowpass", corner_hz=7012.3),
    ),
)
MINE = """\
# Built in spring.
name = "mine"   # the big one

[level]  # scope on the plate
full_modulation_dbfs = -6    # read off the trapezoid
polarity = "inverted"

# Both bands share the modulator.
[[paths]]  # the low band
name = "80 m"
  # coupling
  [[paths.sections]]
  kind = "highpass"
  corner_hz = 40.0  # 0.1 uF
  q = 0.7

# The output network is narrower here.
[[paths]]
name = "40 m"
  [[paths.sections]]
  kind = "lowpass"
  corner_hz = 5000.0

[notes]  # nobody's business
tubes = ["two", "of them"]

[notes.next]
what = "new capacitors"
"""


def changed(text: str, change: Callable[[RigFile], object], folder: Path) -> str:
    """Write a file, change it, and return the text it has then."""
    file = folder / "rig.toml"
    file.write_bytes(text.encode())
    opened = RigFile(str(file), DAY)
    change(opened)
    opened.save()
    assert left_over(folder) == []
    return file.read_bytes().decode()
