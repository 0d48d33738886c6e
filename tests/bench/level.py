"""How well ``level`` finds the level: random transmitters, four ways, a table of the errors.

``python -m tests.bench.level [--transmitters 100] [--seed 1]``.  Each transmitter has a path, bends
(second and third harmonic of up to 3 and 2 % at 100 %, perhaps compressed crests), hum, either
polarity; each recording noise of 30 to 50 dB, an offset, drift and IQ imbalance.
"""

import argparse

import numpy as np

from tests.level_ways import (
    LIMIT,
    Found,
    Stairs,
    by_carrier,
    by_cutoff,
    by_scope,
    lines_of_detector,
    lines_of_radio,
    stairs,
    true_level_dbfs,
)
from tests.reference.radio import Radio
from tests.reference.transmitter import Bend, Sections, Transmitter

WAYS = ("iq", "if", "detector", "scope")
SCOPE_DB = (-20.0, -14.0, -9.0, -6.0, -4.0, -2.0, -1.0)  # re the level that makes 100 %
SCOPE_ERROR = 0.02


def random_transmitter(random: np.random.Generator) -> Transmitter:
    """Draw a transmitter."""
    path = Sections(
        (
            {
                "kind": "highpass",
                "corner_hz": random.uniform(5, 150),
                "q": random.uniform(0.5, 1.3),
            },
            {
                "kind": "lowpass",
                "corner_hz": random.uniform(3500, 9000),
                "q": random.uniform(0.5, 1.5),
            },
        )
    )
    compressed = random.random() < 0.5
    bend = Bend(
        second=random.uniform(-0.03, 0.03),
        third=random.uniform(-0.02, 0.02),
        compression_from=random.uniform(0.5, 0.9) if compressed else np.inf,
        compression=random.uniform(0.1, 0.6) if compressed else 0.0,
    )
    full = 10 ** (random.uniform(-9.0, -5.0) / 20) * random.choice([-1.0, 1.0])
    hum = ((60.0, random.uniform(0, 0.02), 1.0), (120.0, random.uniform(0, 0.02), 2.0))
    return Transmitter((path, bend), full, hum)


def heard(transmitter: Transmitter, sent: Stairs, random: np.random.Generator) -> dict[str, Found]:
    """Return what the three kinds of recordings say."""
    envelope = transmitter.envelope(sent.card)
    noise_db, seed = random.uniform(30.0, 50.0), int(random.integers(1 << 30))
    drift = random.uniform(-20.0, 20.0)
    iq = Radio(
        offset_hz=random.uniform(-8000.0, 8000.0),
        drift_hz_per_s=drift,
        carrier_to_noise_db=noise_db,
        image=random.uniform(0.0, 0.03),
        seed=seed,
    )
    low_if = Radio(
        offset_hz=random.uniform(9000.0, 15_000.0),
        drift_hz_per_s=drift,
        carrier_to_noise_db=noise_db,
        seed=seed,
    )
    detected = lines_of_detector(envelope, noise_db=noise_db, seed=seed)
    return {
        "iq": by_carrier(lines_of_radio(envelope, iq, is_iq=True), sent.sent),
        "if": by_carrier(lines_of_radio(envelope, low_if, is_iq=False), sent.sent),
        "detector": by_cutoff(detected, sent.sent),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--transmitters", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    random, sent = np.random.default_rng(arguments.seed), stairs()
    off: dict[str, list[float]] = {way: [] for way in WAYS}
    stated: dict[str, list[float]] = {way: [] for way in WAYS}
    wrong_polarity = 0
    for _ in range(arguments.transmitters):
        transmitter = random_transmitter(random)
        true = true_level_dbfs(transmitter, LIMIT)
        ways = heard(transmitter, sent, random)
        expected = "inverted" if transmitter.full_modulation < 0.0 else "normal"
        wrong_polarity += sum(found.polarity != expected for found in ways.values())
        fits = {way: found.fit for way, found in ways.items()}
        full_dbfs = 20 * np.log10(abs(transmitter.full_modulation))
        levels = [full_dbfs + step for step in SCOPE_DB]
        fits["scope"] = by_scope(transmitter, levels, SCOPE_ERROR, int(random.integers(1 << 30)))
        for way, fit in fits.items():
            off[way].append(fit.full_modulation_dbfs - true)
            stated[way].append(fit.error_db)
    print(f"{arguments.transmitters} transmitters, errors of the level as % of the modulation")
    print(f"{'way':10}{'median':>8}{'95 %':>8}{'worst':>8}{'stated':>8}{'held':>8}")
    for way in WAYS:
        pct = 100 * np.abs(10 ** (np.array(off[way]) / 20) - 1)
        said = 100 * (10 ** (np.array(stated[way]) / 20) - 1)
        held = 100 * np.mean(np.abs(off[way]) <= np.array(stated[way]))
        low, high, worst = np.percentile(pct, [50, 95, 100])
        row = f"{low:8.2f}{high:8.2f}{worst:8.2f}{np.median(said):8.2f}{held:7.0f} %"
        print(f"{way:10}{row}")
    print(f"wrong or unknown polarities: {wrong_polarity} of {3 * arguments.transmitters}")


if __name__ == "__main__":
    main()
