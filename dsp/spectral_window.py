"""The window of every radio-frequency spectrum: Blackman-Harris with four terms.

F. J. Harris, "On the use of windows for harmonic analysis with the discrete Fourier transform",
Proc. IEEE 66 (1978), pp. 51-83, table 1: highest side lobe -92 dB, so that the carrier hides
nothing beside it.
"""

import numpy as np

from carrierfloor.dsp.stage import Block

TERMS = (0.35875, 0.48829, 0.14128, 0.01168)
# In bins of the transform, from the terms (Harris's table rounds to 2.00 and 1.90):
NOISE_BINS = 2.004353  # width of the rectangle that lets as much noise through
RESOLUTION_BINS = 1.899445  # between the two points 3 dB down
LOBE_BINS = 4  # from the middle of a line to the first zero beside it


def blackman_harris(length: int) -> Block:
    """Return the window, shape (length,); periodic, as a transform of that length wants it."""
    turns = 2.0 * np.pi * np.arange(length) / length
    signs = (1.0, -1.0, 1.0, -1.0)
    terms = zip(signs, TERMS, strict=True)
    return np.asarray(sum(sign * a * np.cos(k * turns) for k, (sign, a) in enumerate(terms)))
