"""The highest and the lowest of many values, fast.

A running maximum is one long chain of dependent comparisons; folding the upper half onto the
lower one, again and again, compiles to vector code.
"""

from carrierfloor.dsp.kernel import kernel
from carrierfloor.dsp.stage import Block


@kernel
def highest(values: Block, work: Block) -> float:
    """Return the largest of the values; at least 1 of them, ``work`` as long."""
    folded = work[: values.shape[0]]
    folded[:] = values
    return highest_folding(folded)


@kernel
def highest_folding(folded: Block) -> float:
    """Return the largest of the values, at least 1; they are overwritten."""
    size = folded.shape[0]
    while size > 1:
        half = (size + 1) // 2
        upper = folded[half:size]
        for i in range(size - half):
            folded[i] = max(folded[i], upper[i])
        size = half
    return float(folded[0])


@kernel
def lowest(values: Block, work: Block) -> float:
    """Return the smallest of the values; at least 1 of them, ``work`` as long."""
    size = values.shape[0]
    folded = work[:size]
    folded[:] = values
    while size > 1:
        half = (size + 1) // 2
        upper = folded[half:size]
        for i in range(size - half):
            folded[i] = min(folded[i], upper[i])
        size = half
    return float(folded[0])
