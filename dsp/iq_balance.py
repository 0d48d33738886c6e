"""The mirror image that an IQ receiver with unequal halves adds, and how it is taken out again.

Such a receiver gives z = s + k conj(s).  Nothing that is received correlates with its own mirror
image, so the mean of s^2 is zero and k = mean(z^2) / (2 mean(|z|^2)), if k is small; as in
M. Valkama, M. Renfors and V. Koivunen, "Advanced methods for I/Q imbalance compensation in
communication receivers", IEEE Trans. Signal Processing 49 (2001), 2335-2344.  A carrier right in
the middle of the recording is its own image: there is nothing to be seen then, and no harm done.
Steady tones are an exception: a sideband may lie just where the carrier's image would.  The other
sideband gives it away.
"""

import math

import numpy as np

from carrierfloor.dsp.carrier_search import find_carrier
from carrierfloor.dsp.mixer import Complex
from carrierfloor.dsp.stage import Block

MOST = 0.2  # a receiver is never so bad: what looks like it is a carrier in the middle
LEAST = 3e-4  # less changes no figure
SURE = 5.0  # standard errors
SIDEBAND_PART = 0.3  # of the lower sideband's line, that the upper has at least
LONGEST = 2**18  # samples that are looked at for it
BLOCKS = 4000  # samples are averaged in so many blocks first
PARTS = 8  # of a stretch, whose scatter tells the error; a carrier near the middle turns meanwhile


def find_image(samples: Complex) -> complex:
    """Return k of a stretch of a recording, 0 if there is nothing to be seen.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        A second or more of IQ.
    """
    block = max(1, len(samples) // BLOCKS)
    blocks = samples[: len(samples) // block * block].reshape(-1, block)
    means = blocks.mean(axis=1)
    squares, powers = np.square(blocks).mean(axis=1), np.square(np.abs(blocks)).mean(axis=1)
    length = len(means) // PARTS
    if length < 2:
        return 0.0
    places = [slice(start, start + length) for start in range(0, PARTS * length, length)]
    parts = np.array([_image(means[at], squares[at], powers[at]) for at in places])
    image, error = complex(parts.mean()), float(np.std(parts)) / math.sqrt(PARTS)
    if not max(LEAST, SURE * error) < abs(image) < MOST or _is_sideband(samples):
        return 0.0
    return image


def _is_sideband(samples: Complex) -> bool:
    """Tell whether the line at minus the carrier's frequency is one of two sidebands."""
    piece = samples[:LONGEST]
    line = find_carrier(piece, 1.0, -0.5, 0.5)
    if line is None:
        return False
    turns = line.frequency_hz  # of the carrier, a sample
    window = np.hanning(len(piece) + 2)[1:-1]
    mirrored, other = (
        abs(np.dot(window * np.exp(-2j * np.pi * at * np.arange(len(piece))), piece))
        for at in (-turns, 3.0 * turns)
    )
    return bool(other > SIDEBAND_PART * mirrored)


def _image(means: Complex, squares: Complex, powers: Block) -> complex:
    """Return k from means over short blocks: of the samples, their squares and magnitudes."""
    window = np.hanning(len(means) + 2)[1:-1]
    window /= window.sum()
    constant = complex(np.dot(window, means))  # the receiver's own
    power = float(np.dot(window, powers)) - abs(constant) ** 2
    square = complex(np.dot(window, squares)) - constant**2
    return square / (2.0 * power) if power > 0.0 else 0.0


def without_image(samples: Complex, image: complex) -> Complex:
    """Return samples without their mirror image, shape (n,)."""
    return np.asarray((samples - image * np.conj(samples)) / (1.0 - abs(image) ** 2))
