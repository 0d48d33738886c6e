"""Lists on the command line: commas between the items, double quotes around one that has commas."""

import csv


def items(text: str) -> list[str]:
    """Cut at the commas but for those between double quotes, as in a line of CSV (RFC 4180).

    Raises
    ------
    ValueError
        If a double quote has no partner.
    """
    try:
        return next(csv.reader([text], skipinitialspace=True, strict=True)) or [""]
    except csv.Error:
        raise ValueError("a double quote has no partner; put a whole item between two") from None
