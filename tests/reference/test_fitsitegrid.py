"""The site grid's fit against scikit-image, SciPy and PROJ."""

import numpy as np
import pytest
from lynchet.algorithms.intake.fitsitegrid import fitsitegrid
from lynchet.algorithms.intake.pegs.controlpoints import ControlPoints
from lynchet.algorithms.intake.pegs.helmert import Transformation, fit
from scipy.linalg import orthogonal_procrustes
from scipy.optimize import least_squares
from skimage.transform import EuclideanTransform, SimilarityTransform


def network(seed, count=7, scale=1.0, noise=0.02):
    rng = np.random.default_rng(seed)
    site = rng.uniform(0, 60, count) + 1j * rng.uniform(0, 60, count)
    turn = scale * np.exp(1j * rng.uniform(0, 2 * np.pi))
    jitter = noise * (rng.normal(size=count) + 1j * rng.normal(size=count))
    return site, 430000 + 5900000j + turn * site + jitter


def pairs(places):
    return np.column_stack([places.real, places.imag])


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize(
    ("kind", "scaled"), [(EuclideanTransform, False), (SimilarityTransform, True)]
)
def test_the_fit_is_scikit_images(seed, kind, scaled):
    site, on_map = network(seed, scale=1.7 if scaled else 1.0)
    # From the centre: far coordinates cost that library digits.
    centre = on_map.mean()
    other = kind()
    assert other.estimate(pairs(site), pairs(on_map - centre))
    found, residual = fit(site, on_map, scaled)
    np.testing.assert_allclose(pairs(found.apply(site) - centre), other(pairs(site)), atol=1e-6)
    rotation = -np.degrees(other.rotation) % 360
    assert found.rotation == pytest.approx(rotation, abs=1e-7)
    if scaled:
        assert found.scale == pytest.approx(other.scale, abs=1e-9)
    wanted = other.residuals(pairs(site), pairs(on_map - centre))
    np.testing.assert_allclose(np.abs(residual), wanted, atol=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_mirrored_and_plain_fits_are_the_orthogonal_procrustes_solution(seed):
    # SciPy's solution is the better of the two: a turn, or a turn of the mirror image.
    site, on_map = network(seed)
    site = np.conj(site) if seed % 2 else site
    one, two = site - site.mean(), on_map - on_map.mean()
    matrix, _ = orthogonal_procrustes(pairs(one), pairs(two))
    left = np.sum((pairs(one) @ matrix - pairs(two)) ** 2)
    ours = [np.sum(np.abs(fit(site, on_map, False, mirrored)[1]) ** 2) for mirrored in (0, 1)]
    assert min(ours) == pytest.approx(left, rel=1e-6)
    assert (np.linalg.det(matrix) < 0) == (ours[1] < ours[0]) == bool(seed % 2)


@pytest.mark.parametrize("scaled", [False, True])
def test_standard_errors_are_those_of_nonlinear_least_squares(scaled):
    site, on_map = network(3)
    centre = site.mean()
    target = on_map - on_map.mean()

    def off(p):
        turn = np.exp(1j * p[2]) * (p[3] if scaled else 1.0)
        left = target - (p[0] + 1j * p[1]) - turn * (site - centre)
        return np.concatenate([left.real, left.imag])

    found = fitsitegrid(ControlPoints(tuple("ABCDEFG"), site, on_map), scaled)
    start = [0.0, 0.0, np.angle(found.transformation.turn), 1.0][: 4 if scaled else 3]
    solved = least_squares(off, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    sigma = np.sqrt(2 * solved.cost / (2 * len(site) - len(start)))
    error = sigma * np.sqrt(np.diag(np.linalg.inv(solved.jac.T @ solved.jac)))
    assert found.sigma == pytest.approx(sigma, rel=1e-6)
    assert found.figures["shift error at the centre"] == pytest.approx(error[0], rel=5e-3)
    assert found.figures["rotation error"] == pytest.approx(np.degrees(error[2]), rel=5e-3)
    if scaled:
        assert found.figures["scale error"] == pytest.approx(error[3], rel=5e-3)
    # Standardised: by the hat matrix of the whole problem, a point's two coordinates at once.
    hat = solved.jac @ np.linalg.inv(solved.jac.T @ solved.jac) @ solved.jac.T
    free = np.eye(len(hat)) - hat
    k = len(site)
    for i in range(k):
        rows = [i, i + k]
        r = solved.fun[rows]
        wanted = np.sqrt(r @ np.linalg.inv(free[np.ix_(rows, rows)]) @ r) / sigma
        assert found.standardised[i] == pytest.approx(wanted, rel=1e-4)
    # Error of a place outside: the Jacobian there.
    far = np.array([200 - 35j])
    turn = found.transformation.turn
    out = [
        [1, 0],
        [0, 1],
        [(1j * turn * (far - centre)).real[0], (1j * turn * (far - centre)).imag[0]],
    ]
    if scaled:
        unit = turn / abs(turn) * (far - centre)
        out.append([unit.real[0], unit.imag[0]])
    cover = sigma**2 * np.linalg.inv(solved.jac.T @ solved.jac)
    wanted = np.sqrt(np.trace(np.array(out).T @ cover @ np.array(out)))
    assert found.error_at(far)[0] == pytest.approx(wanted, rel=1e-4)


def test_places_are_projs_helmert_transformation():
    pyproj = pytest.importorskip("pyproj")
    site, on_map = network(4, scale=0.3048)
    found, _ = fit(site, on_map, True)
    # PROJ's two-dimensional Helmert step: theta in arc seconds, anticlockwise turns negative.
    proj = pyproj.Transformer.from_pipeline(
        f"+proj=helmert +x={found.shift.real!r} +y={found.shift.imag!r} +s={found.scale!r} "
        f"+theta={found.rotation * 3600!r}"
    )
    x, y = proj.transform(site.real, site.imag)
    np.testing.assert_allclose(pairs(found.apply(site)), np.column_stack([x, y]), atol=1e-6)


def test_a_right_angle_worked_by_hand():
    # Site x along the map's north, y along its west: the y axis points to bearing 270.
    found, residual = fit(np.array([0, 3, 4j]), np.array([10 + 20j, 10 + 23j, 6 + 20j]))
    assert np.abs(residual).max() < 1e-12
    assert (found.rotation, found.scale) == (pytest.approx(270), pytest.approx(1))
    assert found.bearing(100.0) == pytest.approx(10)
    assert isinstance(found, Transformation)
