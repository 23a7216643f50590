"""The demo's part before the corrections: plan, bring in by four ways, put readings in place."""

from __future__ import annotations

from host import BUILD, ROOT

SAMPLE = ROOT / "sample_layers"
OUT = BUILD / "demo"
CRS = "EPSG:25831"
SITE = {"LAYOUT": str(SAMPLE / "quillmere_grids.csv"), "SEPARATION": 0.5, "CRS": CRS}
UNITS = "ec_050 [mS/m], ip_050 [ppt], ec_100 [mS/m], ip_100 [ppt]"
PAIRS = {"050": ["ec_050", "ip_050"], "100": ["ec_100", "ip_100"]}
ANTENNA = 1.0
"""How far the antenna went before the transmitter, metres."""
LAG = 0.12
"""How far the instrument has gone on when a reading is stamped, metres, known from a trial."""


def plan(chain) -> None:
    """Lay out data grids over the site's outline and plan the traverses."""
    grids = str(OUT / "data_grids.gpkg")
    chain.run(
        "plangrids",
        INPUT=str(SAMPLE / "quillmere_plan.geojson"),
        WHERE="\"kind\" = 'outline'",
        OUTPUT=grids,
        STAKES=str(OUT / "stakes.gpkg"),
        CHECKS=str(OUT / "tapes.gpkg"),
        STAKES_FILE=str(OUT / "stakes.csv"),
    )
    chain.run(
        "planlines",
        INPUT=grids,
        SEPARATION=0.5,
        INTERVAL=0.125,
        FEATURE_SIZE=1.0,
        FEATURE_DEPTH=0.3,
        COILS="0.5; 1.0",
        OUTPUT=str(OUT / "traverses.gpkg"),
    )


def bring_in(chain) -> str:
    """Bring the same readings in as four loggers kept them; tell how far apart they come to lie."""
    path = {
        name: str(OUT / f"{name}.gpkg")
        for name in ("readings", "from_data_grids", "unplaced", "from_marks", "from_stream")
    }
    chain.run(
        "importtable",
        FILES=[str(SAMPLE / f"quillmere_g{number}.csv") for number in range(1, 5)],
        PLACEMENT="site_grid",
        GRID_COLUMN="grid",
        LINE_COLUMN="line",
        SEQUENCE_COLUMN="reading",
        TIME_COLUMN="time",
        KEEP_COLUMNS="mark",
        INTERVAL=0.125,
        OUTPUT=path["readings"],
        **SITE,
    )
    chain.run(
        "importdatagrids",
        FILES=sorted(str(file) for file in (SAMPLE / "data_grids").glob("*.txt")),
        PATTERN="quillmere_{grid}_{channel}.txt",
        CHANNELS=UNITS,
        NULL_VALUES="-9999",
        INTERVAL=0.125,
        OUTPUT=path["from_data_grids"],
        **SITE,
    )
    chain.run(
        "importtable",
        FILES=[str(SAMPLE / "quillmere_marked.csv")],
        PLACEMENT="later",
        CHANNELS=UNITS,
        GRID_COLUMN="grid",
        LINE_COLUMN="line",
        TIME_COLUMN="time",
        KEEP_COLUMNS="mark",
        CRS=CRS,
        OUTPUT=path["unplaced"],
    )
    chain.run(
        "placebymarks",
        INPUT=path["unplaced"],
        FIRST_MARK=2.5,
        REPAIR="repair",
        OUTPUT=path["from_marks"],
        REPAIRS=str(OUT / "mark_repairs.gpkg"),
        **SITE,
    )
    chain.run(
        "importstream",
        FILES=[str(SAMPLE / "quillmere_stream.txt")],
        RECIPE=str(SAMPLE / "quillmere_stream.json"),
        CLOCK_SHIFT="-01:00",
        AHEAD=ANTENNA,
        CRS=CRS,
        OUTPUT=path["from_stream"],
    )
    rows = ["The same readings as other loggers keep them, against the table's:"]
    for name in ("from_data_grids", "from_marks", "from_stream"):
        same, far = compared(path["readings"], path[name])
        rows.append(
            f"  {name:<16} values {'the same' if same else 'NOT THE SAME'}, "
            f"places within {far * 1000:.0f} mm"
        )
    return "\n".join(rows)


def place_track(chain) -> str:
    """Split the free walk into traverses and move its readings to where the coils were."""
    import numpy as np

    track, split = str(OUT / "track.gpkg"), str(OUT / "track_lines.gpkg")
    chain.run(
        "importtable",
        FILES=[str(SAMPLE / "quillmere_track.csv")],
        PLACEMENT="geographic",
        X_COLUMN="longitude",
        Y_COLUMN="latitude",
        TIME_COLUMN="time",
        CRS=CRS,
        OUTPUT=track,
    )
    chain.run("splitlines", INPUT=track, OUTPUT=split)
    truth = np.genfromtxt(SAMPLE / "truth" / "track.csv", delimiter=",", skip_header=1)
    recorded = read_places(split)
    on_line = recorded[2] > 0
    rows = ["The free walk: from the places told to those where the coils were (median, m)"]
    for number, (pair, channels) in enumerate(PAIRS.items()):
        moved = str(OUT / f"track_{pair}.gpkg")
        chain.run(
            "placesensors",
            INPUT=split,
            CHANNELS=channels,
            AHEAD=ANTENNA,
            LAG=LAG,
            LAG_UNIT="map_units",
            OUTPUT=moved,
        )
        coils = truth[:, 1 + 2 * number : 3 + 2 * number]
        before, after = off(recorded, coils), off(read_places(moved), coils)
        rows.append(
            f"  coils {int(pair) / 100:g} m apart  as recorded {np.median(before[on_line]):.2f}, "
            f"moved {np.median(after[on_line]):.3f}"
        )
    return "\n".join(rows)


def read_places(path: str) -> tuple:
    """Easting, northing and traverse number (0 for none) of a layer's readings."""
    import numpy as np
    from osgeo import ogr

    dataset = ogr.Open(path)
    rows = [
        (feature.GetGeometryRef().GetX(), feature.GetGeometryRef().GetY(), feature["line"] or 0)
        for feature in dataset.GetLayer(0)
    ]
    return tuple(np.array(rows, float).T)


def off(places: tuple, coils):
    """How far readings lie from the coils' places, metres, shape ``(n,)``."""
    import numpy as np

    return np.hypot(places[0] - coils[:, 0], places[1] - coils[:, 1])


def compared(path: str, other: str) -> tuple[bool, float]:
    """Whether two layers hold the same values row by row, and how far apart their places are."""
    import numpy as np
    from osgeo import ogr

    names = [item.split()[0] for item in UNITS.split(", ")]
    found = []
    for name in (path, other):
        dataset = ogr.Open(name)
        found.append([[feature[c] for c in names] for feature in dataset.GetLayer(0)])
    here, there = read_places(path), read_places(other)
    apart = np.hypot(here[0] - there[0], here[1] - there[1])
    return found[0] == found[1], float(apart.max())
