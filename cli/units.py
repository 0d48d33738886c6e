"""Values with units, as people write them: four digits, a prefix where it helps."""

import math

DIGITS = 4
ROUNDING = 1e-9  # what arithmetic may add or take without anybody meaning it
# From which value on, with the prefix and what it stands for.  Four digits before the point are
# still read at a glance: 2250 V and 8000 ohms are how the trade writes them.
PREFIXES = ((9.9995e6, "M", 1e6), (9999.5, "k", 1e3), (0.99995, "", 1.0), (0.99995e-3, "m", 1e-3))
SMALLEST = ("µ", 1e-6)
WITHOUT_PREFIX = ("Hz", "%", "dB")


def quantity(value: float, unit: str, digits: int = DIGITS) -> str:
    """Return a value with its unit, such as 12.5 kV, 240 mA or 0.265 µF."""
    if value == 0.0 or unit in WITHOUT_PREFIX:
        return f"{_rounded(value, digits)} {unit}"
    prefix, factor = SMALLEST
    if unit != "F":  # capacitors are sold in microfarads
        for least, its_prefix, its_factor in PREFIXES:
            if abs(value) >= least:
                prefix, factor = its_prefix, its_factor
                break
    return f"{_rounded(value / factor, digits)} {prefix}{unit}"


def _rounded(value: float, digits: int) -> str:
    """Return a value with so many digits that count, and never with an exponent."""
    return f"{float(f'{value:.{digits}g}'):.10g}"


def rounded_down(value: float) -> float:
    """Return a positive value with its digits beyond the fourth cut off.

    What just fits must still fit when it is printed.
    """
    step = 10.0 ** (math.floor(math.log10(value)) + 1 - DIGITS)
    return math.floor(value / step + ROUNDING) * step
