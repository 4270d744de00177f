"""Equal rectangles in rectangles: found against the bound, and the time. Run by hand:

    python tests/bench/bench_pallet.py [instances per family]

Draws integer instances of the families "Cover I" (up to 50 boxes) and "Cover II" (51 to 100), checks each
packing, and prints how many reach the upper bound, are one below it, or more.
"""

from __future__ import annotations

import platform
import sys
import time

import numba
import numpy as np

from optimizer.fit.placement.pallet import pack_rectangles, upper_bound

SEED = 20


def instances(most: tuple[int, int], count: int, rng: np.random.Generator) -> list[tuple[int, int, int, int]]:
    """Random instances, 1 ≤ L/W ≤ 2, 1 ≤ a/b ≤ 4, no common factor, area ratio in a range."""
    found: list[tuple[int, int, int, int]] = []
    while len(found) < count:
        b = int(rng.integers(2, 20))
        a = int(rng.integers(b, 4 * b + 1))
        width = int(rng.integers(a, 200))
        length = int(rng.integers(width, 2 * width + 1))
        if np.gcd(a, b) == 1 and most[0] <= length * width / (a * b) < most[1] + 1:
            found.append((length, width, a, b))
    return found


def sound(boxes: np.ndarray, length: float, width: float) -> bool:
    """Inside and apart, checked pair by pair."""
    low, high = boxes[:, :2], boxes[:, :2] + boxes[:, 2:]
    i, j = np.triu_indices(len(boxes), 1)
    deep = np.minimum(high[i], high[j]) - np.maximum(low[i], low[j])
    return bool(
        low.min() > -1e-6 and np.all(high < [length + 1e-6, width + 1e-6]) and np.all(deep.min(axis=1) < 1e-6)
    )


def main() -> None:
    """Print the table."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, ", end="")
    print(f"numba {numba.__version__}, seed {SEED}, {count} instances per family")
    pack_rectangles(22, 16, 5, 3)  # compile
    rng = np.random.default_rng(SEED)
    heads = ("at bound", "one below", "two below", "more", "median ms", "max ms")
    print(f"{'family':<10}" + "".join(f"{head:>11}" for head in heads))
    for name, most in (("Cover I", (1, 50)), ("Cover II", (51, 100)), ("larger", (101, 200))):
        gaps, times = [], []
        for instance in instances(most, count, rng):
            start = time.perf_counter()
            boxes = pack_rectangles(*instance)
            times.append(1e3 * (time.perf_counter() - start))
            assert sound(boxes, *instance[:2]), instance
            gaps.append(upper_bound(*instance) - len(boxes))
        tally = [np.count_nonzero(np.array(gaps) == g) for g in range(3)]
        more = len(gaps) - sum(tally)
        row = [*tally, more, round(float(np.median(times)), 1), round(max(times), 1)]
        print(f"{name:<10}" + "".join(f"{value:>11}" for value in row))


if __name__ == "__main__":
    main()
