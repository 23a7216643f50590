"""Splitting a track against general-purpose libraries for lines and tables."""

import numpy as np
import pytest
from lynchet.algorithms.intake.splitlines import splitlines
from lynchet.algorithms.readings import NO_LINE
from tracks import CORNER, jittered, readings, zigzag


@pytest.mark.parametrize("seed", range(5))
def test_traverses_end_where_a_simplified_line_has_its_corners(seed):
    # Shapely (GEOS): Douglas & Peucker (1973) simplification of the whole track, which knows
    # nothing of traverses; on a zigzag its corners are the ends.
    geometry = pytest.importorskip("shapely.geometry")
    place, _, _, _ = zigzag(6, 18.0 + seed, 2.0, 0.2)
    place = jittered(place, 0.03, seed, 30 * seed)
    line = geometry.LineString(np.column_stack([place.real, place.imag]))
    corners = np.array([complex(*xy) for xy in line.simplify(0.3).coords])
    assert 12 <= len(corners) <= 18  # some corners are cut
    data = readings(place)
    found = splitlines(data)
    where = data.x + 1j * data.y - CORNER
    assert len(found.pieces) == 6
    for piece in found.pieces:
        rows = np.flatnonzero(found.line == piece.line)
        for end in where[rows[[0, -1]]]:
            assert np.abs(corners - end).min() < 0.6
        inside = where[rows[10:-10]]
        assert np.abs(corners - inside[:, np.newaxis]).min() > 1.0


def test_figures_are_those_of_a_table_grouped_by_traverse():
    # pandas: the report's figures worked out again from the fields that are written.
    pandas = pytest.importorskip("pandas")
    place, _, _, _ = zigzag(7, 15.0, 1.0, 0.25)
    found = splitlines(readings(jittered(place, 0.03, 2)))
    table = pandas.DataFrame({"line": found.line, "seq": found.sequence, "along": found.along})
    on = table[table.line != NO_LINE].groupby("line")
    lengths = on.along.last() - on.along.first()
    assert found.figures["traverses"] == on.ngroups == 7
    assert found.figures["readings in turns"] == len(table) - on.size().sum()
    assert found.figures["total length"] == pytest.approx(lengths.sum(), abs=1e-3)
    assert found.figures["median length"] == pytest.approx(lengths.median(), abs=1e-3)
    assert (on.seq.max() == on.size()).all()
    assert [piece.readings for piece in found.pieces] == on.size().tolist()
