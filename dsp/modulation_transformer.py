"""The modulation transformer: inductance against corner frequency, ratios, advice.

The load is the final's Eb / Ib.  A winding across it, fed by a modulator of high source
resistance, makes a first-order high-pass with its corner where its reactance equals the load.
That is the worst case: a modulator of low source resistance has a lower corner, but must drive
the winding's current all the same.

Sources: R. Lee, "Electronic Transformers and Circuits" (reactances of three to four times Eb / Ib
at the lowest frequency, or of 1.41 times in a pi filter; attribution from memory).  The pi filter
is the constant-k high-pass of wave-filter theory: shunt arms of R / (2 pi fc), a series capacitor
of 1 / (4 pi fc R).  An octave to spare at both ends of the band is common practice.
"""

import math

ADVISED_REACTANCES = (3.0, 4.0)  # times Eb / Ib at the lowest frequency
PI_BAND = math.sqrt(2.0)  # lowest frequency over the cut-off of a pi filter


def inductance_for_corner_h(load_ohm: float, corner_hz: float) -> float:
    """Return the inductance across a load that puts the corner there, R / (2 pi F)."""
    return load_ohm / (2.0 * math.pi * corner_hz)


def corner_of_inductance_hz(load_ohm: float, inductance_h: float) -> float:
    """Return the corner that an inductance across a load makes, R / (2 pi L)."""
    return load_ohm / (2.0 * math.pi * inductance_h)


def reactance_ratio(load_ohm: float, inductance_h: float, frequency_hz: float) -> float:
    """Return the reactance of a winding at a frequency over the load, 2 pi F L / R."""
    return 2.0 * math.pi * frequency_hz * inductance_h / load_ohm


def advised_inductance_h(load_ohm: float, lowest_hz: float, ratio: float) -> float:
    """Return the winding whose reactance at the lowest frequency is 3 or 4 loads (R. Lee)."""
    return inductance_for_corner_h(load_ohm, lowest_hz / ratio)


def advised_capacitor_f(load_ohm: float, lowest_hz: float, ratio: float) -> float:
    """Return the coupling capacitor beside a reactor: the load is 3 or 4 times its reactance."""
    return ratio / (2.0 * math.pi * lowest_hz * load_ohm)


def pi_inductance_h(load_ohm: float, lowest_hz: float) -> float:
    """Return the inductance of reactor and of transformer, if they are arms of a pi filter.

    Its cut-off is the lowest frequency over sqrt(2); there each of the filter's three reactances
    is 1.41 loads.
    """
    return inductance_for_corner_h(load_ohm, lowest_hz / PI_BAND)


def pi_capacitor_f(load_ohm: float, lowest_hz: float) -> float:
    """Return the capacitor between the two arms of that filter."""
    return PI_BAND / (4.0 * math.pi * lowest_hz * load_ohm)


def pi_filter_drive(lowest_hz: float, frequency_hz: float) -> float:
    """Return by how much a modulator must swing more, with a pi filter between it and the load.

    sqrt(1 + 4 / x^4) with x the frequency over the cut-off, from the filter's chain matrix: 1.41
    times at the lowest frequency, next to nothing two octaves higher.
    """
    return math.sqrt(1.0 + 4.0 / (PI_BAND * frequency_hz / lowest_hz) ** 4)


def impedance_ratio(plate_to_plate_ohm: float, load_ohm: float) -> float:
    """Return the impedance ratio, whole primary to secondary."""
    return plate_to_plate_ohm / load_ohm


def turns_ratio(plate_to_plate_ohm: float, load_ohm: float) -> float:
    """Return the turns ratio, whole primary to secondary: the square root of the impedances."""
    return math.sqrt(impedance_ratio(plate_to_plate_ohm, load_ohm))


def modulator_swing_v(peak_audio_v: float, turns_ratio: float) -> float:
    """Return how far one plate of a push-pull modulator swings, half the primary's voltage.

    An ideal transformer; the modulator's supply must exceed it by what the tube needs to conduct.
    """
    return peak_audio_v * turns_ratio / 2.0


def flat_band_hz(lowest_hz: float, highest_hz: float) -> tuple[float, float]:
    """Return the band that a transformer should pass flat: an octave to spare at both ends."""
    return lowest_hz / 2.0, highest_hz * 2.0
