"""One reading of the envelope: its crest, its trough, and the carrier without modulation.

Both peaks are measured against the unmodulated carrier (US Navy, NEETS module 21, "Test methods
and practices"): (Emax - Eo) / Eo and (Eo - Emin) / Eo.  The trapezoid's sides A and B are the same
crest and trough.  (A - B) / (A + B) takes the middle between both for the carrier; it is the index
of a symmetric tone and nothing else.
"""

from dataclasses import dataclass

from carrierfloor.dsp import carrier
from carrierfloor.dsp.errors import SettingError


@dataclass(frozen=True, kw_only=True)
class EnvelopeReading:
    """What was seen while the sound card gave a tone; heights in any unit.

    Parameters
    ----------
    level_dbfs : float
        Peak of the tone at the sound card.
    carrier, crest, trough : float
        Heights of the envelope: unmodulated, highest, lowest.
    error : float
        Standard error of crest and trough, as a part of the carrier.
    shift : float or None
        Mean envelope over the carrier, less 1; ``None`` if it was not measured.
    """

    level_dbfs: float
    carrier: float
    crest: float
    trough: float
    error: float
    shift: float | None = None

    @property
    def amplitude(self) -> float:
        """Peak of the tone at the sound card, 1.0 = full scale."""
        return float(10.0 ** (self.level_dbfs / 20.0))

    @property
    def positive(self) -> float:
        """Positive-peak modulation, 1.0 = 100 %."""
        return carrier.positive_peak(self.crest, self.carrier)

    @property
    def negative(self) -> float:
        """Negative-peak modulation; 1.0 is carrier cut-off."""
        return carrier.negative_peak(self.trough, self.carrier)

    @property
    def symmetric(self) -> float:
        """(A - B) / (A + B), for comparison: right for a symmetric tone only."""
        return (self.crest - self.trough) / (self.crest + self.trough)


def check_reading(reading: EnvelopeReading) -> None:
    """Refuse heights that no envelope has.

    Raises
    ------
    SettingError
        Names the reading and what does not fit.
    """
    where = f"reading at {reading.level_dbfs:g} dBFS"
    crest, trough, height = reading.crest, reading.trough, reading.carrier
    if not height > 0.0:
        raise SettingError(f"{where}: the carrier is {height:g}; it must be above 0")
    if trough < 0.0:
        raise SettingError(
            f"{where}: the trough is {trough:g}; heights are measured from where the envelope is "
            "closed and are never below 0"
        )
    if crest < trough:
        raise SettingError(
            f"{where}: the crest, {crest:g}, is lower than the trough, {trough:g}; give the crest "
            "first"
        )
    slack = 3.0 * reading.error * height
    if not trough - slack <= height <= crest + slack:
        raise SettingError(
            f"{where}: the carrier, {height:g}, does not lie between trough, {trough:g}, and "
            f"crest, {crest:g}; read all three in one unit, peak or peak to peak"
        )
