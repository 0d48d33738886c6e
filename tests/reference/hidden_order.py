"""The hidden orders of a blind test and a ranking, from their seed, computed a second way.

The generator as its sources give it, in Python's whole numbers: a count in steps of the golden
ratio (G. Steele, D. Lea and C. Flood, "Fast splittable pseudorandom number generators", OOPSLA
2014, in 32 bits), each mixed by the last step of A. Appleby's MurmurHash3.
"""

from collections.abc import Iterator

MASK = 0xFFFF_FFFF


def numbers(seed: int) -> Iterator[int]:
    """Yield numbers of 32 bits."""
    count = seed
    while True:
        count = (count + 0x9E37_79B9) & MASK
        mixed = count ^ count >> 16
        mixed = mixed * 0x85EB_CA6B & MASK
        mixed ^= mixed >> 13
        mixed = mixed * 0xC2B2_AE35 & MASK
        yield mixed ^ mixed >> 16


def blind_test(seed: int, trials: int) -> str:
    """Return what X is in each trial, as letters A and B."""
    found = numbers(seed)
    return "".join("AB"[next(found) >> 31] for _ in range(trials))


def ranking(seed: int, versions: int) -> list[int]:
    """Return which version stands behind each letter."""
    found = numbers(seed)
    order = list(range(versions))
    for last in reversed(range(1, versions)):
        other = next(found) * (last + 1) >> 32
        order[last], order[other] = order[other], order[last]
    return order
