"""What ``check`` reads in simulated recordings of all spoken clips, against the truth.

Usage, from the top of the repository::

    python -m tests.bench.check_truth [--seconds 8] [--fading-db 20] [--keep-alive 5]

Each clip goes through the default chain for the default rig, as it is, 5 and 15 % too loud, and is
recorded as IQ 3 kHz off tune with three strengths of noise.  Printed are, in percent of
modulation, read less true.
"""

import argparse
import contextlib
import io
import tempfile
from pathlib import Path

import numpy as np

from carrierfloor import presets
from carrierfloor.dsp.chain import Chain
from carrierfloor.dsp.simulated_channel import ChannelDesign
from carrierfloor.dsp.simulated_modulator import ModulatorDesign
from carrierfloor.dsp.simulation import Simulation, SimulationDesign
from tests import clips
from tests.checked import checked, write_recording

RATE_HZ = 48_000
NOISES_DB = (60.0, 45.0, 35.0)
GAINS = (1.0, 1.05, 1.15)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="check against the truth")
    parser.add_argument("--seconds", type=int, default=8)
    parser.add_argument("--fading-db", type=float, default=0.0)
    parser.add_argument("--keep-alive", type=float, default=0.0, help="in %% of the carrier")
    options = parser.parse_args()
    rig = presets.rig()
    print(
        "clip                       gain  C/N   crest  trough  cut-offs (in doubt) of   off ms  of"
    )
    with tempfile.TemporaryDirectory() as folder:
        for name in clips.SPOKEN:
            chain = Chain(presets.voice(), rig)
            speech = clips.sound(name)[: options.seconds * RATE_HZ]
            parts = [chain.process(speech), chain.process(np.zeros(chain.latency_samples))]
            card = np.concatenate(parts)
            for gain in GAINS:
                for noise_db in NOISES_DB:
                    line = compared(Path(folder), gain * card, noise_db, options)
                    print(f"{name:26s} {gain:4.2f}  {noise_db:3.0f}  {line}", flush=True)


def compared(folder: Path, card: clips.Array, noise_db: float, options: argparse.Namespace) -> str:
    """Return one row: simulate, check, compare."""
    design = SimulationDesign(
        kind="iq",
        rate_hz=RATE_HZ,
        level_dbfs=-15.0,  # a fading signal comes up by 6 dB
        modulator=ModulatorDesign(keep_alive_pct=options.keep_alive or None),
        channel=ChannelDesign(
            offset_hz=3000.0, carrier_to_noise_db=noise_db, fading_db=options.fading_db
        ),
        carrier_s=1.0,
    )
    simulation = Simulation(presets.rig(), design)
    samples = np.concatenate(list(simulation.recording([card])))
    with contextlib.redirect_stdout(io.StringIO()):
        found = checked(write_recording(folder / "r.wav", samples, RATE_HZ))["modulation"]
    true = simulation.truth()
    crest = found["positive_peak_pct"] - 100.0 * true.whole.positive_peak
    trough = found["negative_peak_pct"] - 100.0 * true.negative_peak
    off_ms = 1000.0 * true.whole.cutoff_total_s
    return (
        f"{crest:+6.2f}  {trough:+6.2f}  {found['cutoffs']:8d} ({found['cutoffs_uncertain']:4d})"
        f" {true.whole.cutoffs:7d}  {found['cutoff_ms']:7.1f} {off_ms:7.1f}"
    )


if __name__ == "__main__":
    main()
