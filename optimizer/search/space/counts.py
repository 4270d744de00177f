"""How many ways there are to share groups out, without going through them: products of polynomials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations, zip_longest
from math import comb


def product_by_groups(counts: Sequence[Sequence[int]], *, up_to: int | None = None) -> list[int]:
    """Choices by number of groups in all, from those of each compartment for 1, 2 … groups.

    The product of one polynomial per compartment: the coefficient of x^g counts the choices that hold g. In
    Python's integers: 2^63 choices are soon passed.

    Parameters
    ----------
    counts : sequence of sequences of int
        By compartment and groups in it, from one group on; none is always one choice.
    up_to : int, optional
        Count no further than for so many groups.

    >>> product_by_groups([[2, 1], [3]])
    [1, 5, 7, 3]
    """
    total = [1]
    for each in counts:
        own = [1, *each]
        size = len(total) + len(own) - 1
        more = [0] * (size if up_to is None else min(size, up_to + 1))
        for a, ways in enumerate(total):
            for b, others in enumerate(own[: max(len(more) - a, 0)]):
                more[a + b] += ways * others
        total = more
    return total


def ways_by_groups(
    held: Sequence[Sequence[Mapping[int, int]]], *, most_kinds: int, up_to: int | None = None
) -> list[int]:
    """As `product_by_groups`, of choices that use at most so many kinds of module case in all.

    Let A(K) be the choices that use no kinds but those of a set K. By inclusion and exclusion, those with at most
    M of n kinds are the sum over all sets of at most M kinds of (−1)^(M − |K|) · C(n − |K| − 1, M − |K|) · A(K).

    Parameters
    ----------
    held : sequence of sequences of mapping of int to int
        By compartment and groups in it, from one group on: choices by kind of case, which is the groups per module;
        0, a tray, is no kind.
    most_kinds : int
        At least 0.
    up_to : int, optional
        Count no further than for so many groups.

    Returns
    -------
    list of int
        For 0, 1, 2 … groups; whole numbers without bound.

    >>> ways_by_groups([[{2: 1, 3: 1}], [{2: 1, 0: 1}]], most_kinds=1)
    [1, 4, 3]
    """
    kinds = sorted({kind for each in held for by in each for kind in by} - {0})

    def using(allowed: Sequence[int]) -> list[int]:
        counts = [[sum(by.get(kind, 0) for kind in (0, *allowed)) for by in each] for each in held]
        return product_by_groups(counts, up_to=up_to)

    if len(kinds) <= most_kinds:
        return using(kinds)
    total: list[int] = []
    for size in range(most_kinds + 1):
        sign = (-1) ** (most_kinds - size) * comb(len(kinds) - size - 1, most_kinds - size)
        for allowed in combinations(kinds, size):
            total = [a + sign * b for a, b in zip_longest(total, using(allowed), fillvalue=0)]
    return total
