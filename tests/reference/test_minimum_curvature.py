"""Minimum curvature against the outside world: a direct solver, closed forms and GMT's surface."""

import shutil
import subprocess

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import frame_for
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods.minimum_curvature import METHOD, prepare
from scipy.sparse import csr_matrix
from scipy.sparse.linalg import spsolve

CELL = 0.25
SIDE = 30.0


def task(x, y, values, cell=CELL, **options):
    """A task over the readings' own frame, all of it wanted."""
    frame = frame_for(x, y, cell, margin=1)
    return Task(
        xy=np.column_stack([x - frame.west, y - frame.north]),
        values=values[:, np.newaxis],
        line=np.full(len(x), -1),
        channels=("c1",),
        units=("",),
        frame=frame,
        wanted=np.ones((frame.rows, frame.columns), bool),
        options=METHOD.checked(options),
        blanking_distance=2.0,
    )


def franke(x, y):
    """The test function of R. Franke (1982), Scattered data interpolation, Math. Comp. 38."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def traverses(separation=1.0, jitter=0.0, side=SIDE):
    rng = np.random.default_rng(1)
    x, y = np.meshgrid(np.arange(0, side + 0.01, separation), np.arange(0, side + 0.01, CELL))
    x, y = x.ravel(), y.ravel()
    return x + rng.normal(0, jitter, x.size), y + rng.normal(0, jitter, x.size)


def differences(rows, columns, tension):
    """Weighted difference rows whose squares sum to the energy, built one by one."""
    number = np.arange(rows * columns).reshape(rows, columns)
    terms = []
    for r in range(rows):
        for c in range(columns):
            if 0 < c < columns - 1:
                terms.append((1 - tension, {(r, c - 1): 1, (r, c): -2, (r, c + 1): 1}))
            if 0 < r < rows - 1:
                terms.append((1 - tension, {(r - 1, c): 1, (r, c): -2, (r + 1, c): 1}))
            if r < rows - 1 and c < columns - 1:
                square = {(r, c): 1, (r + 1, c + 1): 1, (r, c + 1): -1, (r + 1, c): -1}
                terms.append((2 * (1 - tension), square))
            if c < columns - 1:
                terms.append((tension, {(r, c): -1, (r, c + 1): 1}))
            if r < rows - 1:
                terms.append((tension, {(r, c): -1, (r + 1, c): 1}))
    data, row, column = [], [], []
    for k, (weight, term) in enumerate(terms):
        for place, share in term.items():
            row.append(k)
            column.append(number[place])
            data.append(np.sqrt(weight) * share)
    return csr_matrix((data, (row, column)), shape=(len(terms), rows * columns))


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.7, 1.0])
def test_the_solution_is_that_of_a_direct_solver(tension):
    # readings at cell centres: least energy with those cells held, the plane of least squares
    # taken off first
    rng = np.random.default_rng(2)
    x, y = np.unique(rng.integers(0, (45, 38), (60, 2)) * CELL, axis=0).T
    values = rng.normal(20, 4, x.size)
    of = task(x, y, values, tension=tension, tolerance=1e-4)
    rows, columns = of.frame.rows, of.frame.columns
    design = np.column_stack([np.ones(x.size), x, y])
    plane = np.linalg.lstsq(design, values, rcond=None)[0]
    east, north = np.meshgrid(of.frame.centres_x, of.frame.centres_y)
    held = np.rint((of.frame.centres_y[0] - y) / CELL).astype(int) * columns
    held += np.rint((x - of.frame.centres_x[0]) / CELL).astype(int)
    terms = differences(rows, columns, tension)
    force = (terms.T @ terms).tolil()
    wanted = np.zeros(rows * columns)
    for node, rest in zip(held, values - design @ plane):
        force.rows[node], force.data[node] = [node], [1.0]
        wanted[node] = rest
    exact = spsolve(force.tocsc(), wanted).reshape(rows, columns)
    exact += plane[0] + plane[1] * east + plane[2] * north
    surface = prepare(of)
    bound = 1e-6 * np.ptp(values)
    assert surface.warnings == ()
    assert np.abs(surface.cells[0] - exact).max() < 5 * bound


def test_full_tension_gives_the_harmonic_surface_and_none_the_biharmonic():
    # u = x^2 - y^2 is harmonic, u = x (x^2 + y^2) biharmonic, also in differences: held on two
    # cells along the rim, both are found again inside
    side = np.arange(0, 10.01, CELL)
    x, y = (part.ravel() for part in np.meshgrid(side, side))
    rim = np.minimum(np.minimum(x, 10 - x), np.minimum(y, 10 - y)) < 2 * CELL - 0.01
    for tension, function in (
        (1.0, lambda x, y: (x - 4) ** 2 - (y - 5) ** 2),
        (0.0, lambda x, y: (x - 4) * ((x - 4) ** 2 + (y - 5) ** 2)),
    ):
        values = function(x, y)
        of = task(x[rim], y[rim], values[rim], tension=tension, tolerance=1e-4)
        east, north = np.meshgrid(of.frame.centres_x, of.frame.centres_y)
        inside = prepare(of).cells[0][1:-1, 1:-1]
        expected = function(east, north)[1:-1, 1:-1]
        assert np.abs(inside - expected).max() < 1e-5 * np.ptp(values)


def surface_of_gmt(of, folder, tension):
    """`surface` of the Generic Mapping Tools, its nodes on our cell centres, well converged."""
    if shutil.which("gmt") is None:
        pytest.skip("gmt is not installed")
    frame = of.frame
    np.column_stack([of.xy, of.values]).astype("<f8").tofile(folder / "readings.bin")
    east = 0.5 * CELL, (frame.columns - 0.5) * CELL
    north = (0.5 - frame.rows) * CELL, -0.5 * CELL
    region = "-R" + "/".join(repr(value) for value in (*east, *north))
    command = ["gmt", "surface", "readings.bin", "-bi3d", region, f"-I{CELL}", f"-T{tension}"]
    subprocess.run(
        [*command, "-C1e-6", "-N5000", "-Gout.grd=bf"],
        cwd=folder,
        check=True,
        capture_output=True,
        timeout=300,
    )
    cells = subprocess.run(
        ["gmt", "grd2xyz", "out.grd=bf", "-ZTLd"], cwd=folder, check=True, capture_output=True
    ).stdout
    return np.frombuffer(cells).reshape(frame.rows, frame.columns)


@pytest.mark.parametrize("tension", [0.0, 0.25, 0.5])
@pytest.mark.parametrize(
    ("separation", "jitter", "noise", "inside", "all_over"),
    [
        # readings at cell centres: the same system of equations, but for the rim, where ours
        # is free and theirs mixes in tension
        (1.0, 0.0, 0.0, 0.003, 0.03),
        (1.0, 0.05, 0.0, 0.02, 0.05),
        # noise off the centres: theirs lets the surface miss such readings, ours carries them to
        # the cell
        (1.0, 0.05, 0.1, 1.5, 1.6),
        (3.0, 0.05, 0.1, 1.9, 1.9),
    ],
)
def test_gmt_finds_the_same_surface(separation, jitter, noise, inside, all_over, tension, tmp_path):
    x, y = traverses(separation, jitter)
    values = franke(x / SIDE, y / SIDE) + np.random.default_rng(3).normal(0, noise, x.size)
    of = task(x, y, values - values.min(), tension=tension, tolerance=1e-3)
    apart = prepare(of).cells[0] - surface_of_gmt(of, tmp_path, tension)
    apart *= 100 / np.ptp(values)
    assert np.sqrt(np.mean(apart[4:-4, 4:-4] ** 2)) < inside
    assert np.sqrt(np.mean(apart**2)) < all_over


@pytest.mark.parametrize(("tension", "more"), [(0.0, 1.03), (0.25, 1.1)])
def test_a_left_out_traverse_is_found_about_as_well_as_by_gmt(tension, more, tmp_path):
    x, y = traverses(1.5, 0.04)
    values = franke(x / SIDE, y / SIDE)
    miss = []
    for left_out in (2, 10, 18):
        out = np.abs(x - 1.5 * left_out) < 0.5
        of = task(x[~out], y[~out], values[~out] - values[~out].min(), tension=tension)
        surface = prepare(of)
        at = np.column_stack([x[out] - of.frame.west, y[out] - of.frame.north])
        theirs = surface_of_gmt(of, tmp_path, tension)
        wanted = values[out] - values[~out].min()
        ours = surface.evaluate(at)[:, 0] - wanted
        node = (
            np.rint(-at[:, 1] / CELL - 0.5).astype(int),
            np.rint(at[:, 0] / CELL - 0.5).astype(int),
        )
        shift = surface.evaluate(at)[:, 0] - surface.cells[0][node]  # the same way between cells
        miss.append((np.sum(ours**2), np.sum((theirs[node] + shift - wanted) ** 2)))
    ours, theirs = np.sqrt(np.sum(miss, axis=0))
    assert ours < more * theirs
