"""From required gain to smooth gain: a sliding minimum ahead, then a smoothing window behind.

Both are built up (the minimum of 16 is the minimum of four minima of 4), which compiles to
vector code and gives the same bits wherever in the buffer a sample lies.
"""

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block

BOX = 48  # samples of one running mean
WINDOW = 3 * BOX - 2  # three in a row: a smooth window of 142 samples, 3 ms, that sums to 1


@kernel
def _least_of_four(a: Block, step: int, b: Block) -> None:
    second, third, fourth = a[step:], a[2 * step :], a[3 * step :]
    for i in range(a.shape[0] - 3 * step):
        b[i] = min(min(a[i], second[i]), min(third[i], fourth[i]))


@kernel
def _sum_of_four(a: Block, step: int, b: Block) -> None:
    second, third, fourth = a[step:], a[2 * step :], a[3 * step :]
    for i in range(a.shape[0] - 3 * step):
        b[i] = (a[i] + second[i]) + (third[i] + fourth[i])


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
    _least_of_four(a, 1, b)
    _least_of_four(b[: size - 3], 4, a)
    _least_of_four(a[: size - 15], 16, b)  # b(n) is now the least of 64
    second, last = b[64:], b[WINDOW - 64 :]
    for i in range(m.shape[0]):
        m[i] = min(min(b[i], second[i]), last[i])


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
    _mean_of_box(m, a, b)
    size -= BOX - 1
    _mean_of_box(b[:size], b, a)
    size -= BOX - 1
    _mean_of_box(a[:size], a, b)
    g[:] = b[: g.shape[0]]


@kernel
def _mean_of_box(values: Block, a: Block, b: Block) -> None:
    """Write the means over BOX samples to b; ``values`` may lie in a."""
    size = values.shape[0]
    _sum_of_four(values, 1, b)
    _sum_of_four(b[: size - 3], 4, a)  # a(n) is now a sum of 16
    second, third = a[16:], a[32:]
    for i in range(size - BOX + 1):
        b[i] = (a[i] + second[i] + third[i]) * (1.0 / BOX)
