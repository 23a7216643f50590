"""Placing by marks against general-purpose interpolation."""

import numpy as np
import pytest
from lynchet.algorithms.intake.placebymarks import Marked, MarkOptions, placebymarks
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid

SITE = SiteGrid({"": Origin(0.0, 0.0)}, separation=1.0, length=20.0)


def uneven(seed):
    """Marks 5 apart from 2.5 on, at readings that a walker of uneven pace came to; times too."""
    rng = np.random.default_rng(seed)
    at = np.cumsum([rng.integers(18, 23), *rng.integers(36, 45, 3)])
    n = int(at[-1] + rng.integers(18, 23))
    time = np.cumsum(rng.uniform(0.1, 0.15, n))
    marks = np.zeros(n)
    marks[at] = 1
    zero = np.zeros(n, np.int64)
    return Marked(zero, ("",), zero + 1, None, time, marks, zero), at


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("method", ["number", "time"])
def test_between_marks_numpy_and_pandas_interpolate_the_same(seed, method):
    pandas = pytest.importorskip("pandas")
    data, at = uneven(seed)
    found = placebymarks(
        data, SITE, MarkOptions(5.0, 2.5, method=method, mark_at="reading", ends="leave")
    )
    pace = data.time if method == "time" else np.arange(len(data.time), dtype=float)
    distance = np.array([2.5, 7.5, 12.5, 17.5])
    wanted = np.interp(pace, pace[at], distance, left=np.nan, right=np.nan)
    np.testing.assert_allclose(found.placed.along, wanted, rtol=0, atol=1e-12)
    known = pandas.Series(np.nan, index=pace)
    known.iloc[at] = distance
    filled = known.interpolate("index", limit_area="inside").to_numpy()
    np.testing.assert_allclose(found.placed.along, filled, rtol=0, atol=1e-9)
    # Traverse 1 runs north, half a separation in.
    np.testing.assert_allclose(found.placed.y, wanted, rtol=0, atol=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_beyond_the_marks_scipy_extrapolates_the_same(seed):
    interpolate = pytest.importorskip("scipy.interpolate")
    data, at = uneven(seed)
    found = placebymarks(data, SITE, MarkOptions(5.0, 2.5, mark_at="reading")).placed.along
    line = interpolate.interp1d(at, [2.5, 7.5, 12.5, 17.5], fill_value="extrapolate")
    wanted = line(np.arange(len(found)))
    placed = np.isfinite(found)
    np.testing.assert_allclose(found[placed], wanted[placed], rtol=0, atol=1e-9)
    step = 5.0 / np.diff(at)
    inside = (wanted >= 0) & (wanted <= 20)
    assert (placed >= inside).all()
    assert wanted[placed].min() >= -step[0] / 2 - 1e-9
    assert wanted[placed].max() <= 20 + step[-1] / 2 + 1e-9
