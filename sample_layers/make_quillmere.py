"""Make the invented survey "Quillmere": python sample_layers/make_quillmere.py [--out FOLDER].

Writes the logger's files as a data collector would, the site plan, the trenches and, apart from
them, the truth. The same bytes come out on every run and platform.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "tools")]

from host import import_checkout  # noqa: E402

import_checkout()

from forms import write_data_grids, write_marked, write_stream  # noqa: E402
from lynchet.algorithms.ground.instrument import CoilPair, Instrument  # noqa: E402
from lynchet.algorithms.ground.instrument_text import instrument_text  # noqa: E402
from quillmere import (  # noqa: E402
    BEARING,
    CHANNELS,
    EPSG,
    FREQUENCY,
    GRIDS,
    HEIGHT,
    SIDE,
    SPACINGS,
    UNITS,
    box,
    features,
    strip,
    to_map,
)
from text import DECIMALS, cells, clock, write  # noqa: E402
from utm import longitude_latitude  # noqa: E402
from walk import ANTENNA_AHEAD, CHANNEL_SPACINGS, LAG, survey  # noqa: E402


def write_logger_files(out: Path, walked: dict, visits: list) -> None:
    """One file a data grid, the base readings, the layout and the track."""
    titles = [f"{name} [{unit}]" for name, unit in zip(CHANNELS, UNITS)]
    for grid in GRIDS:
        part = walked[grid]
        operator = "B" if grid == "G4" else "A"
        rows = [
            f"# Quillmere, data grid {grid}, vertical dipoles, operator {operator}",
            "# zigzag, 0.5 m traverses, a reading every 0.125 m, front first",
            ",".join(["grid", "line", "reading", "time", *titles, "mark"]),
        ]
        for i, values in enumerate(part.recorded):
            rows.append(
                f"{grid},{part.line[i]},{part.reading[i]},{clock(part.time[i])},"
                f"{','.join(cells(values))},{part.mark[i]}"
            )
        write(out / f"quillmere_{grid.lower()}.csv", rows)

    rows = [",".join(["visit", "time", "x", "y", *titles])]
    for number, time, x, y, values in visits:
        for i in range(len(time)):
            rows.append(
                f"{number},{clock(time[i])},{x[i]:.3f},{y[i]:.3f},{','.join(cells(values[i]))}"
            )
    write(out / "quillmere_base.csv", rows)

    rows = ["grid,x,y,bearing,length,width"]
    for grid, (u, v) in GRIDS.items():
        x, y = to_map(np.array(u), np.array(v))
        rows.append(f"{grid},{x:.3f},{y:.3f},{BEARING:g},{SIDE:g},{SIDE:g}")
    write(out / "quillmere_grids.csv", rows)

    # The track's logger was set up for another country: decimal comma, semicolons, a byte order
    # mark and Windows line ends.
    track = walked["track"]
    wobble = np.random.RandomState(7).normal(size=(2, len(track.u))) * 0.02
    x, y = to_map(track.u + wobble[0], track.v + wobble[1])
    lon, lat = longitude_latitude(x, y, zone=31)
    rows = ["\ufeff" + ";".join(["time", "longitude", "latitude", *titles])]
    for i, values in enumerate(track.recorded):
        row = ";".join([clock(track.time[i]), f"{lon[i]:.8f}", f"{lat[i]:.8f}", *cells(values)])
        rows.append(row.replace(".", ","))
    write(out / "quillmere_track.csv", rows, newline="\r\n")


def write_instrument(out: Path) -> None:
    """What the instrument was, for the steps that model the ground."""
    pairs = [
        CoilPair(spacing, "vertical", FREQUENCY, HEIGHT, "", f"ec_{digits}", f"ip_{digits}")
        for digits, spacing in SPACINGS.items()
    ]
    text = instrument_text(Instrument(tuple(pairs), "Quillmere's instrument"))
    write(out / "quillmere_instrument.json", text.splitlines())


def geojson(path: Path, name: str, parts: list[tuple[dict, tuple[np.ndarray, ...]]]) -> None:
    """Write polygons, rings in site coordinates, as GeoJSON in map coordinates."""
    collection = []
    for properties, rings in parts:
        coordinates = []
        for ring in rings:
            x, y = to_map(ring[:, 0], ring[:, 1])
            coordinates.append([[round(float(a), 3), round(float(b), 3)] for a, b in zip(x, y)])
        geometry = {"type": "Polygon", "coordinates": coordinates}
        collection.append({"type": "Feature", "properties": properties, "geometry": geometry})
    content = {
        "type": "FeatureCollection",
        "name": name,
        "crs": {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{EPSG}"}},
        "features": collection,
    }
    lines = json.dumps(content, indent=None, separators=(",", ":")).replace(
        '{"type":"Feature",', '\n{"type":"Feature",'
    )
    write(path, [lines])


def write_plans(out: Path) -> None:
    """The site plan, the trenches and what was found in them."""
    geojson(
        out / "quillmere_plan.geojson",
        "quillmere_plan",
        [
            ({"name": "survey area", "kind": "outline"}, (box(0, 0, 40, 40),)),
            ({"name": "fence", "kind": "fence"}, (strip((-6, -6), (46, -6), 0.3),)),
            ({"name": "track", "kind": "track"}, (strip((-9, -12), (-9, 52), 3.0),)),
        ],
    )
    trenches = {"T1": box(14.0, 8.0, 17.5, 10.0), "T2": box(30.0, 24.0, 37.0, 26.0)}
    geojson(
        out / "quillmere_trenches.geojson",
        "quillmere_trenches",
        [({"trench": name, "depth": 1.2}, (ring,)) for name, ring in trenches.items()],
    )
    found = [
        ("T1", "ditch, curved", 1.5, box(14.25, 8.0, 15.8, 10.0)),
        ("T2", "ditch, straight", 1.4, box(33.7, 24.0, 35.1, 26.0)),
    ]
    geojson(
        out / "quillmere_trench_features.geojson",
        "quillmere_trench_features",
        [
            ({"trench": trench, "kind": kind, "width": width}, (ring,))
            for trench, kind, width, ring in found
        ],
    )


def write_sketch(out: Path) -> None:
    """What was noted in the field on the site grid, and the pegs that tell where that lies."""
    noted = (
        ("slag", "POINT (28.9 17.4)"),
        ("pottery", "POINT (4.1 28.2)"),
        ("pottery", "POINT (12.6 6.3)"),
        ("hollow", "POINT (22.1 20.4)"),
        ("dark soil", "POINT (9.9 3.8)"),
    )
    write(out / "quillmere_sketch.csv", ["WKT,what", *(f'"{shape}",{w}' for w, shape in noted)])
    pegs = {"A": (0, 0), "B": (40, 0), "C": (40, 40), "D": (0, 40), "E": (20, 12)}
    # Pegs stand to a centimetre or two.
    off = np.random.RandomState(5).normal(size=(len(pegs), 2)) * 0.01
    rows = ["name,site_x,site_y,map_x,map_y"]
    for (name, (u, v)), (east, north) in zip(pegs.items(), off.tolist()):
        x, y = to_map(np.array(u + east), np.array(v + north))
        rows.append(f"{name},{u},{v},{x:.3f},{y:.3f}")
    write(out / "quillmere_pegs.csv", rows)


def write_truth(out: Path, walked: dict) -> None:
    """What the processing chain must not see: the clean field and the true outlines."""
    names = [*CHANNELS, *(f"steady_{name}" for name in CHANNELS)]
    rows = [",".join(["grid", "line", "reading", *names])]
    for grid in GRIDS:
        part = walked[grid]
        values = np.hstack([part.clean, part.steady])
        for i, row in enumerate(values.tolist()):
            text = ",".join(f"{value:.{DECIMALS[k % 4]}f}" for k, value in enumerate(row))
            rows.append(f"{grid},{part.line[i]},{part.reading[i]},{text}")
    write(out / "truth" / "readings.csv", rows)
    track = walked["track"]
    heading = walked["track"].heading
    rows = ["reading,x_050,y_050,x_100,y_100"]
    coils = []
    for spacing in sorted(set(CHANNEL_SPACINGS)):
        far = ANTENNA_AHEAD + spacing / 2 + LAG
        coils += to_map(track.u - far * np.sin(heading), track.v - far * np.cos(heading))
    for number, places in zip(track.reading, np.stack(coils, axis=1).tolist()):
        rows.append(f"{number},{','.join(f'{place:.3f}' for place in places)}")
    write(out / "truth" / "track.csv", rows)
    geojson(
        out / "truth" / "features.geojson",
        "quillmere_truth",
        [
            (
                {
                    "name": feature.name,
                    "kind": feature.kind,
                    "width": feature.width,
                    "must_find": feature.must_find,
                },
                feature.rings,
            )
            for feature in features()
        ],
    )


def make(out: Path) -> None:
    """Write every file of the sample survey into a folder."""
    walked, visits = survey()
    write_logger_files(out, walked, visits)
    write_instrument(out)
    write_data_grids(out, walked)
    write_marked(out, walked)
    write_stream(out, walked)
    write_plans(out)
    write_sketch(out)
    write_truth(out, walked)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=HERE, help="folder (default: this one)")
    make(parser.parse_args().out)
