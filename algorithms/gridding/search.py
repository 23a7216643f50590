"""Search trees over the positions of readings."""

from __future__ import annotations

from scipy.spatial import cKDTree

from ..readings import FloatArray


def search_tree(xy: FloatArray) -> cKDTree:
    """A tree of positions, shape ``(n, 2)``, split at the middle of its boxes.

    Readings cover the ground evenly enough that such boxes hold nearly the same numbers. Against
    SciPy's default, splits at the median, the tree of a million readings takes a third of the
    time to build, and answers a little sooner.
    """
    return cKDTree(xy, compact_nodes=False, balanced_tree=False)
