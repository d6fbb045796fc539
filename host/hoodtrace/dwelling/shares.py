"""Whole numbers that keep their sum: a total shared by weights, by the method of the largest remainder.

Each gets the whole part of its exact share; what is left goes, one each, to the largest remainders, the earlier first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

_SAME = 1e-9


def whole_at_least(flow: float) -> int:
    """Return the smallest whole number that is not under `flow`, but for rounding in the last digits.

    Examples
    --------
    >>> whole_at_least(46.8), whole_at_least(45.00000000001)
    (47, 45)
    """
    return math.ceil(flow - _SAME)


def shared(total: int, weights: Sequence[float]) -> list[int]:
    """Return whole numbers in the ratio of `weights` whose sum is `total`.

    Parameters
    ----------
    total : int
        Not negative.
    weights : sequence of float
        Not negative and finite, at least one above zero unless `total` is 0. A weight of 0 gets 0.

    References
    ----------
    Method of the largest remainder (common knowledge; from memory).

    Examples
    --------
    >>> shared(10, [1.0, 1.0, 1.0])
    [4, 3, 3]
    """
    if total == 0:
        return [0] * len(weights)
    # Over the largest first: a sum of huge weights stays finite, one of tiny weights stays above zero.
    rel = np.asarray(weights, dtype=float) / max(weights)
    exact = [float(total * each) for each in rel / math.fsum(rel)]
    parts = [math.floor(each + _SAME) for each in exact]
    order = sorted((i for i, each in enumerate(rel) if each > 0.0), key=lambda i: parts[i] - exact[i])
    for i in order[: total - sum(parts)]:
        parts[i] += 1
    return parts
