"""Gridding: time beside general-purpose programs, growth of time and memory with the readings.

``python -m tests.benchmarks.gridding [--quick] [speed] [growth] [METHOD ...]`` measures both, or
what is named. Ours counts everything from readings to the raster, four channels at once; the
others grid one channel at a time, so four runs of theirs are counted, from points in memory.
Growth and memory are taken in fresh processes: the time of `gridreadings`, that of all cores
together (which other work on the machine changes little, and which the growth is fitted to), and
the peak resident size less that of a process that has gridded next to nothing. The bytes count the
readings themselves (88 each, and 8 for their order) and all that is needed on the way; the raster
(16 a cell) is taken off.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from .intake import peak
from .measured import LINE, ROOT, line, seconds, survey

CELL, BLANKING, RADIUS, NEIGHBOURS = 0.25, 0.75, 1.5, 12
TENSION = 0.25
"""For splines in tension: the figure GMT's guide gives for potential fields."""
SIZES = (100_000, 300_000, 1_000_000, 3_000_000, 10_000_000)
QUICK_SIZES = (30_000, 100_000, 300_000)
LONGEST = 20.0
"""Seconds that the next larger survey may be expected to take; inverse distance is let go on."""
STEEPEST, MOST_BYTES = 1.1, 300
"""What is asked of inverse distance: power of the growth, and bytes a reading."""
MAKING_READY = "nearest:radius1=0.01:radius2=0.01"
"""What GDAL is asked for one cell, to see how long it takes in its points."""
COMPARED, OFF = 100_000, 0.02
"""Readings whose numbers are compared, and how far these are off the even layout."""
CLEAR = 1e-6
"""A cell's last neighbour and the next, nearer to equally far than this, are tied."""

LARGE = 1_000_000
"""Readings from which the memory is judged: less is mostly what each core works with at a time."""
SMALL = 10_000
"""Up to so many readings the traverses are short, so that the survey is no mere strip."""
CELL_BYTES = 16
"""Of the raster, four channels of float32."""

CHILD = """
import sys, time
sys.path.insert(0, sys.argv[1])
from tests.benchmarks.gridding import grid
from tests.benchmarks.measured import survey
survey = survey(int(sys.argv[3]))
begun, worked = time.perf_counter(), time.process_time()
cells = grid(survey, sys.argv[2]).bands[0].size
print(time.perf_counter() - begun, time.process_time() - worked, cells)
"""


def grid(readings, method: str, **options):
    """Ours, with its defaults, on the benchmark's cells."""
    from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings

    # the order of the readings is kept with them: forget it, so that every run finds it anew
    readings = replace(readings)
    chosen = GriddingOptions(method, CELL, BLANKING, method_options=options)
    return gridreadings(readings, chosen)


def frame_of(readings):
    """The benchmark's cells: the same for every method."""
    from lynchet.algorithms.gridding.frame import frame_for

    return frame_for(readings.x, readings.y, CELL, margin=1)


def known_methods() -> list[str]:
    """Ids of the methods there are, inverse distance first."""
    from lynchet.algorithms.gridding.methods import methods

    return sorted(methods(), key=lambda name: (name != "inverse_distance", name))


class ByGdal:
    """GDAL's grid program on points in memory, one channel at a time, on all cores."""

    def __init__(self, readings) -> None:
        from osgeo import gdal, ogr

        gdal.UseExceptions()
        gdal.SetConfigOption("GDAL_NUM_THREADS", "ALL_CPUS")
        self.points = gdal.GetDriverByName("Memory").Create("", 0, 0, 0, gdal.GDT_Unknown)
        layer = self.points.CreateLayer("readings", geom_type=ogr.wkbPoint)
        for name in readings.channels:
            layer.CreateField(ogr.FieldDefn(name, ogr.OFTReal))
        x, y = readings.x.tolist(), readings.y.tolist()
        for row, values in enumerate(readings.values.tolist()):
            feature = ogr.Feature(layer.GetLayerDefn())
            for place, value in enumerate(values):
                feature.SetField(place, value)
            point = ogr.Geometry(ogr.wkbPoint)
            point.AddPoint_2D(x[row], y[row])
            feature.SetGeometryDirectly(point)
            layer.CreateFeature(feature)

    def __call__(self, frame, algorithm: str, channel: str, one_cell: bool = False) -> np.ndarray:
        from osgeo import gdal

        return gdal.Grid(
            "", self.points, format="MEM", outputType=gdal.GDT_Float32, zfield=channel,
            algorithm=f"{algorithm}:nodata=-9999",
            width=1 if one_cell else frame.columns, height=1 if one_cell else frame.rows,
            outputBounds=[
                frame.west, frame.north, frame.west + frame.columns * frame.cell_width,
                frame.north - frame.rows * frame.cell_height,
            ],
        ).ReadAsArray()  # fmt: skip


def beside_gdal(readings, method: str, algorithm: str, what: str, **options) -> None:
    """Time ours and GDAL's by turns, a run of ours to each channel of GDAL's."""
    frame = frame_of(readings)
    gdal = ByGdal(readings)
    ours, theirs = [], []
    for channel in readings.channels:
        ours.append(seconds(lambda: grid(readings, method, **options)))
        theirs.append(seconds(lambda channel=channel: gdal(frame, algorithm, channel)))
    first = readings.channels[0]
    ready = min(seconds(lambda: gdal(frame, MAKING_READY, first, True)) for _ in range(2))
    counted = sum(theirs) - ready * len(theirs)
    line(name(readings, method), float(np.mean(ours)), counted, what)
    print(f"{'':<63}not counted: {ready:.2f} s a channel in which GDAL takes in its points")


def name(readings, method: str) -> str:
    """How a line begins."""
    return f"{method} {len(readings):,} x {readings.values.shape[1]}"


def inverse_distance(readings) -> None:
    """Against GDAL's nearest-neighbour inverse distance, same ellipse, same readings a cell."""
    algorithm = f"invdistnn:power=2:smoothing=0:radius={RADIUS}:max_points={NEIGHBOURS}"
    options = {"search_across": RADIUS, "neighbours": NEIGHBOURS}
    what = "GDAL invdistnn, a channel at a time"
    beside_gdal(readings, "inverse_distance", algorithm, what, **options)

    # the same numbers: where positions are a little off the even layout, few cells have ties
    rng = np.random.default_rng(2)
    some = readings.take(np.arange(min(len(readings), COMPARED)))
    x, y = (along + rng.normal(0, OFF, len(some)) for along in (some.x, some.y))
    some = replace(some, x=x, y=y)
    gridded = grid(some, "inverse_distance", **options)
    theirs = ByGdal(some)(gridded.frame, algorithm, some.channels[0])
    x, y = np.meshgrid(gridded.frame.centres_x, gridded.frame.centres_y)
    held = np.isfinite(gridded.bands[0])
    last, beyond = cKDTree(np.column_stack([some.x, some.y])).query(
        np.column_stack([x[held], y[held]]), k=[NEIGHBOURS, NEIGHBOURS + 1]
    )[0].T  # fmt: skip
    clear = (beyond - last > CLEAR) & (np.abs(last - RADIUS) > CLEAR)
    apart = np.abs(gridded.bands[0] - theirs)[held]
    print(
        f"{'':<63}same numbers: within {apart[clear].max():.1e} in {clear.sum():,} cells, "
        f"{(~clear).sum():,} with ties left out",
        flush=True,
    )


def triangulation(readings) -> None:
    """Against GDAL's and SciPy's linear interpolation over triangles."""
    from scipy.interpolate import griddata

    what = "GDAL linear, a channel at a time"
    beside_gdal(readings, "triangulation", "linear:radius=0", what)
    frame = frame_of(readings)
    cells = tuple(np.meshgrid(frame.centres_x, frame.centres_y))

    def by_scipy() -> None:
        for column in readings.values.T:
            griddata((readings.x, readings.y), column, cells, method="linear")

    ours, theirs = seconds(lambda: grid(readings, "triangulation")), seconds(by_scipy)
    line(name(readings, "triangulation"), ours, theirs, "SciPy griddata, a channel at a time")


def minimum_curvature(readings) -> None:
    """Against GMT's `surface` after its `blockmedian`, binary files written and read."""
    from lynchet.algorithms.gridding.methods import method_named

    known = {option.name for option in method_named("minimum_curvature").options}
    options = {"tension": TENSION} if "tension" in known else {}
    frame = frame_of(readings)
    x, y = frame.centres_x, frame.centres_y
    where = [f"-R{x[0]}/{x[-1]}/{y[-1]}/{y[0]}", f"-I{CELL}"]

    def by_gmt() -> None:
        with tempfile.TemporaryDirectory() as folder:

            def gmt(*arguments: str) -> None:
                subprocess.run(["gmt", *arguments], cwd=folder, check=True, capture_output=True)

            for column in readings.values.T:
                table = np.column_stack([readings.x, readings.y, column])
                table.tofile(f"{folder}/readings.b")
                blocks = subprocess.run(
                    ["gmt", "blockmedian", "readings.b", *where, "-bi3d", "-bo3d"],
                    cwd=folder, check=True, capture_output=True,
                ).stdout  # fmt: skip
                Path(folder, "blocks.b").write_bytes(blocks)
                gmt("surface", "blocks.b", "-bi3d", *where, f"-T{TENSION}", "-Gsurface.b=bf")
                np.fromfile(f"{folder}/surface.b", np.float32, offset=892)

    ours = seconds(lambda: grid(readings, "minimum_curvature", **options))
    line(
        name(readings, "minimum_curvature"),
        ours,
        seconds(by_gmt),
        f"GMT blockmedian and surface, tension {TENSION:g}, its files counted",
    )


def kriging(readings) -> None:
    """Against pykrige, spherical variogram fitted, the nearest readings a cell."""
    from pykrige.ok import OrdinaryKriging

    frame = frame_of(readings)

    def by_pykrige() -> None:
        for column in readings.values.T:
            made = OrdinaryKriging(readings.x, readings.y, column, variogram_model="spherical")
            made.execute(
                "grid", frame.centres_x, frame.centres_y, n_closest_points=NEIGHBOURS, backend="C"
            )

    ours = seconds(lambda: grid(readings, "kriging"))
    what = f"pykrige, spherical, {NEIGHBOURS} nearest, a channel at a time"
    line(name(readings, "kriging"), ours, seconds(by_pykrige), what)


def alone(readings, method: str) -> None:
    """A method that no general library at hand offers."""
    ours = seconds(lambda: grid(readings, method))
    print(f"{name(readings, method):<34}{ours:8.2f} s{'':20}   no general library at hand has it")


RIVALS: dict[str, tuple[int, int, Callable]] = {
    "inverse_distance": (1_000_000, 100_000, inverse_distance),
    "triangulation": (200_000, 30_000, triangulation),
    "minimum_curvature": (1_000_000, 100_000, minimum_curvature),
    "kriging": (5_000, 2_000, kriging),
}
"""Readings of the survey, those of a quick one, and the comparison."""


def print_speed(quick: bool = False, asked: list[str] | None = None) -> None:
    """Time each method beside what comes nearest to it."""
    print(f"{'':<34}{'ours':>10}{'other':>10}{'ratio':>10}")
    for method in asked or known_methods():
        full, small, compare = RIVALS.get(method, (1_000_000, 100_000, alone))
        try:
            each = LINE if full > SMALL else 100
            compare(survey(small if quick else full, each), *([method] if compare is alone else []))
        except (ImportError, OSError, ValueError, subprocess.CalledProcessError) as problem:
            print(f"{method:<34}left out: {problem}", flush=True)


def in_fresh_process(method: str, readings: int) -> tuple[float, float, int, float]:
    """Seconds of gridding, seconds of all cores together, cells, and peak resident bytes."""
    with tempfile.NamedTemporaryFile("r") as told:
        child = [sys.executable, "-c", CHILD, str(ROOT), method, str(readings)]
        command = ["/bin/sh", "-c", 'exec "$@" > "$0"', told.name, *child]
        most = peak(command)[0]
        took, worked, cells = told.read().split()[-3:]
    return float(took), float(worked), int(cells), most


def print_growth(quick: bool = False, asked: list[str] | None = None) -> None:
    """Measure time and memory of each method over sizes, and fit the growth."""
    print(f"{'':<34}{'time':>10}{'of cores':>10}{'cells':>14}{'bytes a reading':>20}")
    for method in asked or known_methods():
        try:
            idle = in_fresh_process(method, 4 * LINE)[-1]
            grown = sizes_of(method, QUICK_SIZES if quick else SIZES, idle)
        except RuntimeError as problem:
            print(f"{method:<34}left out: {str(problem).strip().splitlines()[-1]}", flush=True)
            continue
        size, worked, needed = np.array(grown).T
        power = np.polyfit(np.log(size), np.log(worked), 1)[0]
        large = size >= min(LARGE, size.max())
        wanted = f" (asked: {STEEPEST}, {MOST_BYTES})" if method == "inverse_distance" else ""
        print(
            f"{method}: the work grows with the {power:.2f}th power of the readings; from "
            f"{int(size[large].min()):,} readings on it needs no more than "
            f"{needed[large].max():.0f} bytes each{wanted}",
            flush=True,
        )


def sizes_of(method: str, sizes: tuple[int, ...], idle: float) -> list[tuple[int, float, float]]:
    """Size, seconds of all cores and bytes a reading, as far as the time allows; lines printed."""
    grown: list[tuple[int, float, float]] = []
    took = 0.0
    for size in sizes:
        expected = took * (size / grown[-1][0]) ** STEEPEST if grown else 0.0
        if expected > LONGEST and method != "inverse_distance":
            print(f"{method} {size:,} and more left out: some {expected:,.0f} s expected")
            break
        runs = [in_fresh_process(method, size) for _ in range(3 if size < LARGE else 1)]
        took, worked = min(run[0] for run in runs), min(run[1] for run in runs)
        cells, most = runs[0][2], max(run[3] for run in runs)
        needed = (most - idle - CELL_BYTES * cells) / size
        grown.append((size, worked, needed))
        print(
            f"{f'{method} {size:,}':<34}{took:8.2f} s{worked:8.2f} s{cells:14,}{needed:20.0f}",
            flush=True,
        )
    return grown


def print_gridding(
    quick: bool = False, parts: list[str] | None = None, asked: list[str] | None = None
) -> None:
    """Speed, then growth."""
    if "speed" in (parts or ["speed"]):
        print_speed(quick, asked)
    if "growth" in (parts or ["growth"]):
        print()
        print_growth(quick, asked)


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if word != "--quick"]
    chosen = [word for word in words if word in ("speed", "growth")]
    print_gridding("--quick" in sys.argv, chosen, [word for word in words if word not in chosen])
