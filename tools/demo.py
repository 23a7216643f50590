"""The whole job on the sample survey: `make demo` leaves everything in build/demo/."""

from __future__ import annotations

import json
import shutil
import sys
import time
from pathlib import Path

from demo_field import CRS, OUT, SAMPLE, bring_in, place_track, plan
from demo_ground import look_below
from host import ROOT, headless

BASE = {
    "FILES": [str(SAMPLE / "quillmere_base.csv")],
    "PLACEMENT": "projected",
    "CRS": CRS,
    "LINE_COLUMN": "visit",
    "X_COLUMN": "x",
    "Y_COLUMN": "y",
    "TIME_COLUMN": "time",
}
LEVELLED = "levellines"
OUTLINE = {"WINDOW": 10.0, "SMALLEST_AREA": 0.75}
BANDS = {1: "ec_050", 4: "ip_100"}


class Chain:
    """Runs the steps, one after another, and scores the readings after each."""

    def __init__(self, processing, truth, scorer):
        self.processing = processing
        self.truth = truth
        self.scorer = scorer
        self.scores = []

    def run(self, step: str, **parameters) -> dict:
        """Run a step; tell how long it took."""
        begun = time.perf_counter()
        found = self.processing.run(f"lynchet:{step}", parameters)
        shown = Path(str(found.get("OUTPUT", found.get("PAGE")))).name
        print(f"  {step:<13} {time.perf_counter() - begun:5.1f} s  {shown}", flush=True)
        return found

    def score(self, name: str, path: str) -> None:
        """Score the readings of a layer."""
        keys, values = read_readings(path, self.scorer.CHANNELS)
        self.scores.append((name, self.scorer.score_readings(self.truth, keys, values)))


def read_readings(path: str, channels) -> tuple[list, object]:
    """Keys and values of a readings layer, for the scorer."""
    import numpy as np
    from osgeo import ogr

    keys, rows = [], []
    dataset = ogr.Open(path)
    for feature in dataset.GetLayer(0):
        keys.append((feature["grid"], feature["line"], feature["seq"]))
        rows.append([np.nan if feature[name] is None else feature[name] for name in channels])
    return keys, np.array(rows, dtype=float)


def read_polygons(path: str) -> list:
    """Rings of the polygons of a layer, for the scorer."""
    import numpy as np
    from osgeo import ogr

    dataset = ogr.Open(path)
    polygons = []
    for feature in dataset.GetLayer(0):
        shape = json.loads(feature.GetGeometryRef().ExportToJson())
        polygons.append([np.array(ring)[:, :2] for ring in shape["coordinates"]])
    return polygons


def write_sequence(chain: Chain, path: dict[str, str]) -> None:
    """Take the method out of the result's history, and run it on the readings in one pass."""
    sequence = str(OUT / "method.txt")
    chain.run("writesequence", INPUT=path["corrected"], OUTPUT=sequence)
    again = str(OUT / "again.gpkg")
    chain.run("runsequence", INPUT=path["readings"], SEQUENCE=sequence, OUTPUT=again)
    single, whole = (
        read_readings(name, chain.scorer.CHANNELS) for name in (path["corrected"], again)
    )
    same = single[0] == whole[0] and single[1].tobytes() == whole[1].tobytes()
    print(f"  the sequence gives {'the same' if same else 'NOT THE SAME'} as the single steps")


def table_of(scores, scorer) -> str:
    """The scores as a table of text.

    Lag and a second operator's level are no fault to the steps up to levelling, and what the steps
    after it take off: the figure in brackets ends there.
    """
    rows = ["RMSE to the clean field (and what drift, line offsets and spikes still leave)"]
    rows.append(f"  {'after':<16}" + "".join(f"{name:>18}" for name in scorer.CHANNELS))
    levelled = [name for name, _ in scores].index(LEVELLED)
    for place, (name, found) in enumerate(scores):
        cells = [
            f"{found[c].to_clean:8.3f} "
            + (f"({found[c].faults:6.3f})" if place <= levelled else " " * 8)
            for c in scorer.CHANNELS
        ]
        rows.append(f"  {name:<16}" + "".join(f"{cell:>18}" for cell in cells))
    first, last = scores[0][1], scores[levelled][1]
    cells = [f"{first[c].faults / last[c].faults:.1f}" for c in scorer.CHANNELS]
    rows.append(f"  {'faults cut by':<16}" + "".join(f"{cell:>18}" for cell in cells))
    return "\n".join(row.rstrip() for row in rows)


def main() -> int:
    """Run, draw, score."""
    shutil.rmtree(OUT, ignore_errors=True)
    OUT.mkdir(parents=True)
    sys.path.insert(0, str(SAMPLE))
    print("The sample survey Quillmere, from a plan to measured anomalies:")
    with headless() as processing:
        import score as scorer
        from pictures import draw_demo_map

        chain = Chain(processing, scorer.load_truth(), scorer)
        path = {name: str(OUT / f"{name}.gpkg") for name in (
            "readings", "base", "despiked", "undrifted", "levelled", "aligned",
            "corrected", "findings", "coverage",
        )}  # fmt: skip
        plan(chain)
        ways = bring_in(chain)
        chain.run("importtable", **BASE, OUTPUT=path["base"])
        track = place_track(chain)
        chain.score("as recorded", path["readings"])
        chain.run(
            "checkreadings",
            INPUT=path["readings"],
            FINDINGS=path["findings"],
            COVERAGE=path["coverage"],
            PAGE=str(OUT / "check.html"),
        )
        chain.run("despike", INPUT=path["readings"], OUTPUT=path["despiked"])
        chain.score("despike", path["despiked"])
        chain.run(
            "driftbase",
            INPUT=path["despiked"],
            BASE=path["base"],
            CURVES=str(OUT / "drift.html"),
            OUTPUT=path["undrifted"],
        )
        chain.score("driftbase", path["undrifted"])
        chain.run("levellines", INPUT=path["undrifted"], OUTPUT=path["levelled"])
        chain.score(LEVELLED, path["levelled"])
        # Resampled, so that every reading stays at the place that the truth knows it by.
        chain.run(
            "alignpasses",
            INPUT=path["levelled"],
            APPLICATION="resample",
            OUTPUT=path["aligned"],
        )
        chain.score("alignpasses", path["aligned"])
        chain.run("balancegrids", INPUT=path["aligned"], OUTPUT=path["corrected"])
        chain.score("balancegrids", path["corrected"])
        write_sequence(chain, path)
        for name in ("readings", "corrected"):
            chain.run("gridreadings", INPUT=path[name], OUTPUT=str(OUT / f"{name}.tif"))
        raster = str(OUT / "corrected.tif")
        polygons = []
        for band, channel in BANDS.items():
            layer = str(OUT / f"anomalies_{channel}.gpkg")
            chain.run("anomalies", INPUT=raster, BAND=band, **OUTLINE, OUTPUT=layer)
            polygons += read_polygons(layer)
        below = look_below(chain, path["corrected"])
        draw_demo_map(OUT, OUT / "map.png")
        found = scorer.score_anomalies(chain.truth, polygons)
        text = "\n".join(
            [
                ways,
                track,
                table_of(chain.scores, scorer),
                f"Anomalies outlined: {len(polygons)} in {', '.join(BANDS.values())}",
                f"  planted features found: {len(found.found)} ({', '.join(found.found)})",
                f"  missed of those that must be found: {', '.join(found.missed) or 'none'}",
                f"  false (no planted feature within {scorer.NEAR:g} m): {len(found.false)}",
                below,
            ]
        )
    print(text)
    (OUT / "score.txt").write_text(text + "\n", encoding="utf-8")
    print(
        f"Everything lies in {OUT.relative_to(ROOT)}/: look at map.png, section.png, check.html "
        "and drift.html."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
