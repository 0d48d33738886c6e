"""The past of a stream: samples that a kernel keeps in front of those of the next block."""

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block


@kernel
def move_past(samples: Block, keep: int, n: int) -> None:
    """Move the newest samples to the front.

    Parameters
    ----------
    samples : ndarray, shape (keep + n,) or longer
        The past, then the block.
    keep : int
        How many are needed with the next block.
    n : int
        Length of the block.
    """
    done = 0
    while done < keep:  # pieces no longer than the block never overlap, and so become SIMD
        size = min(n, keep - done)
        old, moved = samples[done : done + size], samples[done + n : done + n + size]
        for i in range(size):
            old[i] = moved[i]
        done += size
