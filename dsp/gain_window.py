"""From required gain to smooth gain: a sliding minimum ahead, then a smoothing window behind.

Both are built by doubling (the minimum of 4 is the minimum of two minima of 2), which compiles to
vector code and gives the same bits wherever in the buffer a sample lies.
"""

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

BOX = 48  # samples of one running mean
WINDOW = 3 * BOX - 2  # three in a row: a smooth window of 142 samples, 3 ms, that sums to 1


@kernel
def _least_of_two(a: Block, reach: int, b: Block) -> None:
    later = a[reach:]
    for i in range(a.shape[0] - reach):
        b[i] = min(a[i], later[i])


@kernel
def _sum_of_two(a: Block, reach: int, b: Block) -> None:
    later = a[reach:]
    for i in range(a.shape[0] - reach):
        b[i] = a[i] + later[i]


@kernel
def least_ahead(r: Block, m: Block, work: Block) -> None:
    """Find m(n), the least of r(n) to r(n + WINDOW - 1).

    Parameters
    ----------
    r : ndarray, shape (n,)
        Required gain; it counts as 1 beyond its end.
    m : ndarray, shape (n,)
        The result.
    work : ndarray, shape (2 (n + WINDOW),)
        Scratch.
    """
    size = r.shape[0] + WINDOW
    a, b = work[:size], work[size : 2 * size]
    a[: r.shape[0]] = r
    a[r.shape[0] :] = 1.0
    # 1, 2, 4 ... 128: eight buffers' worth of minima, taken in pairs.
    _least_of_two(a, 1, b)
    _least_of_two(b[: size - 1], 2, a)
    _least_of_two(a[: size - 3], 4, b)
    _least_of_two(b[: size - 7], 8, a)
    _least_of_two(a[: size - 15], 16, b)
    _least_of_two(b[: size - 31], 32, a)
    _least_of_two(a[: size - 63], 64, b)  # b(n) is now the least of 128
    rest = b[WINDOW - 128 :]
    for i in range(m.shape[0]):
        m[i] = min(b[i], rest[i])


@kernel
def smooth(m: Block, g: Block, work: Block) -> None:
    """Smooth m by the window.

    Parameters
    ----------
    m : ndarray, shape (n + WINDOW - 1,)
        The newest value last.
    g : ndarray, shape (n,)
        The result; g[i] is the weighted mean of m[i] to m[i + WINDOW - 1].
    work : ndarray, shape (2 (n + WINDOW - 1),)
        Scratch.
    """
    size = m.shape[0]
    a, b = work[:size], work[size : 2 * size]
    a[:] = m
    for _ in range(3):
        _mean_of_box(a[:size], b)
        size -= BOX - 1
    g[:] = a[: g.shape[0]]


@kernel
def _mean_of_box(a: Block, b: Block) -> None:
    """Replace a by its means over BOX samples; the last BOX - 1 values become meaningless."""
    size = a.shape[0]
    _sum_of_two(a, 1, b)
    _sum_of_two(b[: size - 1], 2, a)
    _sum_of_two(a[: size - 3], 4, b)
    _sum_of_two(b[: size - 7], 8, a)  # a(n) is now a sum of 16
    second, third = a[16:], a[32:]
    count = size - BOX + 1
    for i in range(count):
        b[i] = (a[i] + second[i] + third[i]) * (1.0 / BOX)
    for i in range(count):
        a[i] = b[i]
