"""The comparison within reach, compiled by numba: of all pairs of points few are possible, or rivals."""

from __future__ import annotations

from typing import Any

import numpy as np

from autocal.compiled import compiled


@compiled(any_order=True)
def best_within_reach(
    a: Any, b: Any, target: Any, twice: Any, possible: Any, alike: Any, normal: Any, half_width: float
) -> Any:
    """For each row of a (n, 128) its partner among those of b (m, 128), as `Reach` has it.

    Returns index (n,), -1 where none is the best of both; and of those that are, similarity and that of
    the closest rival of either, (n,).
    """
    n, m = len(a), len(b)
    nothing = np.float32(-1.0)
    index = np.full(n, -1)
    of_a, of_b = np.full((3, n), nothing), np.full((3, m), nothing)
    best, rival, second = of_a[0], of_a[1], of_a[2]
    best_of_b, rival_of_b, second_of_b = of_b[0], of_b[1], of_b[2]
    for i in range(n):
        for j in range(m):
            nearness = twice[i, 0] * target[j, 0] + twice[i, 1] * target[j, 1] + twice[i, 2] * target[j, 2]
            if not nearness > alike[i]:
                continue
            off = normal[i, 0] * target[j, 0] + normal[i, 1] * target[j, 1] + normal[i, 2] * target[j, 2]
            if not abs(off) < half_width:
                continue
            cosine = np.float32(0.0)
            for k in range(a.shape[1]):
                cosine += a[i, k] * b[j, k]
            if cosine > rival[i]:
                rival[i], second[i] = cosine, rival[i]
            elif cosine > second[i]:
                second[i] = cosine
            if cosine > rival_of_b[j]:
                rival_of_b[j], second_of_b[j] = cosine, rival_of_b[j]
            elif cosine > second_of_b[j]:
                second_of_b[j] = cosine
            if nearness > possible[i]:
                if cosine > best[i]:
                    best[i], index[i] = cosine, j
                best_of_b[j] = max(best_of_b[j], cosine)
    for i in range(n):
        j = index[i]
        if j < 0 or best[i] != best_of_b[j]:
            index[i] = -1
            continue
        # The pair itself is among the rivals: where it is the best of them, the second counts.
        by_row = second[i] if rival[i] == best[i] else rival[i]
        by_column = second_of_b[j] if rival_of_b[j] == best[i] else rival_of_b[j]
        rival[i] = max(by_row, by_column)
    return index, best, rival
