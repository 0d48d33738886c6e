"""The arithmetic of a plate-modulated final and of the power its modulator must give.

The final is taken as the resistance that it is to a good modulator: supply over current, Eb / Ib,
as long as the plate voltage stays above zero.  Peaks are fractions, 1.0 means 100 %; the plate
voltage is supply x (1 + m).

Limits that differ up and down need three audio powers:

* the largest sine that keeps both limits, which has the smaller of the two as its index;
* the power at the instant of the crest, (positive peak)^2 x Eb Ib;
* the power at the instant of the trough, (negative peak)^2 x Eb Ib.

A modulator rated for a sine reaches a crest of twice its rating.

Sources: US Navy, NEETS module 12, "Modulation principles" (plate modulator: the plate swings from
zero to twice the supply at 100 %); R. Lee, "Electronic Transformers and Circuits" (Eb / Ib as
load, half the DC input as audio for a full sine; attribution from memory).  The rest is Ohm's law.
"""

# What class C stages usually reach, losses of the tank included: common practice, no source.
USUAL_EFFICIENCY = (0.55, 0.85)


def plate_input_w(supply_v: float, current_a: float) -> float:
    """Return the DC input of the final, Eb Ib."""
    return supply_v * current_a


def plate_efficiency(carrier_w: float, input_w: float) -> float:
    """Return carrier power over DC input; above 1.0 one of the two cannot be true.

    A carrier measured at the antenna counts the losses of the tank in.
    """
    return carrier_w / input_w


def modulating_impedance_ohm(supply_v: float, current_a: float) -> float:
    """Return the resistance that the final is to its modulator, Eb / Ib (R. Lee)."""
    return supply_v / current_a


def sine_audio_w(input_w: float, index: float) -> float:
    """Return the audio power of a sine of this index, m^2 / 2 x Eb Ib (R. Lee for m = 1)."""
    return index**2 / 2.0 * input_w


def instant_audio_w(input_w: float, peak: float) -> float:
    """Return the audio power at the instant of a peak, m^2 x Eb Ib."""
    return peak**2 * input_w


def largest_sine(negative_peak: float, positive_peak: float) -> float:
    """Return the index of the largest sine within both limits."""
    return min(negative_peak, positive_peak)


def audio_peak_v(supply_v: float, peak: float) -> float:
    """Return the audio voltage across the final at the instant of a peak, m x Eb."""
    return peak * supply_v


def trough_plate_v(supply_v: float, negative_peak: float) -> float:
    """Return the plate voltage at the trough, supply x (1 - negative peak), never below zero."""
    return supply_v * max(0.0, 1.0 - negative_peak)


def keep_alive_v(supply_v: float, negative_peak: float) -> float:
    """Return the supply that holds the plate up at a floor through an ideal diode.

    It is the plate voltage at that trough; a real diode's drop comes on top.
    """
    return trough_plate_v(supply_v, negative_peak)


def peak_plate_with_rf_v(supply_v: float, positive_peak: float) -> float:
    """Return the highest voltage between plate and cathode, RF included.

    The tank's RF swings by nearly the plate voltage of the moment, so that at the crest about
    2 x (1 + positive peak) x supply is there (from memory).
    """
    return 2.0 * supply_v * (1.0 + positive_peak)
