"""Which of many things hang together, from pairs that do."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from ..readings import IntArray


def linked_sets(first: npt.ArrayLike, second: npt.ArrayLike, count: int) -> IntArray:
    """A code of the set that each of `count` things belongs to, ``(count,)``.

    Parameters
    ----------
    first, second
        Numbers of the two things of each pair, ``(e,)`` each.

    Examples
    --------
    >>> linked_sets([0, 3], [2, 1], 5).tolist()
    [0, 1, 0, 1, 2]
    """
    one, two = np.asarray(first, np.int64), np.asarray(second, np.int64)
    table = csr_matrix((np.ones(len(one)), (one, two)), shape=(count, count))
    return np.asarray(connected_components(table, directed=False)[1], np.int64)
