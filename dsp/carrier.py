"""The arithmetic of an amplitude-modulated carrier.

Peaks are fractions: 1.0 means 100 % modulation; the envelope is carrier x (1 + m).  Powers and
currents are ratios to those of the unmodulated carrier unless a name carries a unit.

Sources: US Navy, NEETS module 21, "Test methods and practices" (crest and trough against the
carrier, antenna current); 47 CFR 97.3(b) (peak envelope power: mean power of one cycle at the
crest of the envelope); sideband powers from the product of carrier and 1 + m, as in any textbook.
"""

import math


def positive_peak(crest: float, carrier: float) -> float:
    """Return (crest - carrier) / carrier of the envelope's amplitude (NEETS module 21)."""
    return (crest - carrier) / carrier


def negative_peak(trough: float, carrier: float) -> float:
    """Return (carrier - trough) / carrier of the envelope's amplitude (NEETS module 21)."""
    return (carrier - trough) / carrier


def pep_ratio(positive_peak: float) -> float:
    """Return peak envelope power over carrier power, (1 + positive peak) squared."""
    return (1.0 + positive_peak) ** 2


def pep_w(carrier_w: float, positive_peak: float) -> float:
    """Return the peak envelope power in watts."""
    return carrier_w * pep_ratio(positive_peak)


def largest_carrier_w(pep_limit_w: float, positive_peak: float) -> float:
    """Return the carrier power whose peak envelope power just meets a limit."""
    return pep_limit_w / pep_ratio(positive_peak)


def largest_positive_peak(pep_limit_w: float, carrier_w: float) -> float:
    """Return the positive peak whose peak envelope power just meets a limit.

    It is negative if the carrier alone is over the limit.
    """
    return math.sqrt(pep_limit_w / carrier_w) - 1.0


def highest_density(negative_peak: float, positive_peak: float) -> float:
    """Return the highest rms of any zero-mean m within two limits, sqrt(m- m+).

    A two-valued wave reaches it.  R. Bhatia and C. Davis, "A better bound on the variance", Amer.
    Math. Monthly 107 (2000), 353-357.
    """
    return math.sqrt(negative_peak * positive_peak)


def total_power_ratio(m_rms: float) -> float:
    """Return carrier and sideband power over carrier power, 1 + mean square of m.

    Holds for any m with zero mean that never cuts the carrier off; one tone of index m has a
    mean square of m^2 / 2.
    """
    return 1.0 + m_rms**2


def sideband_power_w(carrier_w: float, m_rms: float) -> float:
    """Return the power of both sidebands, mean square of m times the carrier power."""
    return m_rms**2 * carrier_w


def antenna_current_ratio(m_rms: float) -> float:
    """Return rms antenna current with modulation over that without (NEETS module 21)."""
    return math.sqrt(total_power_ratio(m_rms))


def tone_index_from_current(current_ratio: float) -> float:
    """Return the index m of one tone from the rise in antenna current, sqrt(2 (r^2 - 1))."""
    return math.sqrt(2.0 * (current_ratio**2 - 1.0))


def tone_line_dbc(index: float) -> float:
    """Return each of the two sideband lines of one tone in dB below the carrier, 20 lg(m / 2)."""
    return 20.0 * math.log10(index / 2.0)


def residual_carrier_db(negative_peak: float) -> float:
    """Return what is left of the envelope at the trough in dB; minus infinity at cut-off."""
    left = 1.0 - negative_peak
    return 20.0 * math.log10(left) if left > 0.0 else -math.inf


def peak_plate_v(supply_v: float, positive_peak: float) -> float:
    """Return the plate voltage at the crest, supply x (1 + positive peak).

    NEETS module 12 (plate modulator): at 100 % the plate swings from 0 to twice the supply.
    """
    return supply_v * (1.0 + positive_peak)
