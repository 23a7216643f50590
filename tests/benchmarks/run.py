"""Ratios, measured side by side in one run: make bench.

Each line gives our time, that of the plain or independent way to the same result, and the ratio of
the two (above 1: ours is faster). Times depend on the machine and mean little by themselves.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

from .corrections import corrections
from .gridding import print_growth, print_speed
from .intake import print_memory, print_stream_memory
from .measured import READINGS, fastest, headless, line, survey
from .scores import print_scores


def intake(folder: Path) -> None:
    """Reading a table of eight columns: against pandas' own parser."""
    import pandas
    from lynchet.algorithms.intake.importtable import Roles, read_table

    path = folder / "table.csv"
    rng = np.random.default_rng(0)
    n = READINGS
    frame = pandas.DataFrame(
        {
            "grid": "G1",
            "line": np.repeat(np.arange(n // 1000), 1000),
            "reading": np.tile(np.arange(1000), n // 1000),
            "time": np.round(np.arange(n) * 0.125, 3),
            **{f"c{k}": np.round(rng.normal(20, 2, n), 2) for k in range(4)},
        }
    )
    frame.to_csv(path, index=False)
    roles = Roles(grid="grid", line="line", sequence="reading", time="time")
    ours = fastest(lambda: read_table([path], None, roles))
    line("bring in 1 million rows", ours, fastest(lambda: pandas.read_csv(path)), "pandas.read_csv")


def despiking() -> None:
    """Running median and deviation of four channels: against two passes of pandas' median."""
    import pandas
    from lynchet.algorithms.correct.despike import DespikeOptions, despike

    readings = survey()

    def by_pandas():
        frame = pandas.DataFrame(readings.values)
        median = frame.rolling(9, center=True, min_periods=1).median()
        return (frame - median).abs().rolling(9, center=True, min_periods=1).median()

    ours = fastest(lambda: despike(readings, DespikeOptions(passes=1)))
    line("despike 1 million x 4", ours, fastest(by_pandas), "pandas rolling medians, twice")


def levelling() -> None:
    """Differential levelling: against plain group medians of pandas (a simpler method)."""
    import pandas
    from lynchet.algorithms.correct.levellines import LevelOptions, levellines

    readings = survey()
    frame = pandas.DataFrame(readings.values)

    def by_pandas():
        return frame - frame.groupby(readings.line).transform("median")

    theirs = fastest(by_pandas)
    simple = fastest(lambda: levellines(readings, LevelOptions(method="whole_grid")))
    line("level 1 million x 4, whole_grid", simple, theirs, "pandas group medians")
    ours = fastest(lambda: levellines(readings))
    line("level 1 million x 4, differential", ours, theirs, "pandas group medians")


def outlining() -> None:
    """Outlining a raster of 4 million cells: against scikit-image's labels and isolines alone."""
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.algorithms.interpret.anomalies import outline_anomalies
    from scipy.ndimage import gaussian_filter
    from skimage.filters import apply_hysteresis_threshold
    from skimage.measure import find_contours, label, regionprops

    rng = np.random.default_rng(0)
    values = gaussian_filter(rng.normal(size=(2000, 2000)), 6)
    values /= values.std()
    frame = Frame(0.0, 500.0, 0.25, 0.25, 2000, 2000)

    def by_skimage():
        regions = label(apply_hysteresis_threshold(values, 2.0, 4.0))
        regionprops(regions, values)
        find_contours(values, 2.0)

    ours = fastest(lambda: outline_anomalies(values, frame))
    line("outline 4 million cells", ours, fastest(by_skimage), "scikit-image, one polarity")


def layers(folder: Path) -> None:
    """Reading a layer by column, then every correction: against the host's own ways."""
    with headless() as processing:
        from lynchet.plugin.source import LayerSource
        from osgeo import ogr, osr
        from qgis.core import (
            QgsProcessingContext,
            QgsProcessingFeatureSource,
            QgsVectorLayer,
        )

        path = folder / "readings.gpkg"
        reference = osr.SpatialReference()
        reference.ImportFromEPSG(25831)
        dataset = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
        table = dataset.CreateLayer("readings", reference, ogr.wkbPoint)
        names = ["line", "seq", "c1", "c2", "c3", "c4"]
        for name in names:
            table.CreateField(ogr.FieldDefn(name, ogr.OFTReal))
        readings = survey()
        dataset.StartTransaction()
        for row in range(READINGS):
            feature = ogr.Feature(table.GetLayerDefn())
            feature["line"], feature["seq"] = float(readings.line[row]), float(row)
            for k in range(4):
                feature[f"c{k + 1}"] = readings.values[row, k]
            point = ogr.Geometry(ogr.wkbPoint)
            point.AddPoint_2D(readings.x[row], readings.y[row])
            feature.SetGeometry(point)
            table.CreateFeature(feature)
        dataset.CommitTransaction()
        dataset = table = None

        layer = QgsVectorLayer(str(path), "readings", "ogr")
        context = QgsProcessingContext()
        source = LayerSource(QgsProcessingFeatureSource(layer, context), layer, False)
        ours = fastest(lambda: source._stream(names))
        theirs = fastest(lambda: source._by_feature(names, lambda fraction: True))
        line("read 1 million points x 6", ours, theirs, "the host's features, one by one")

        layer = source = None
        corrections(folder, processing, line)


def main() -> None:
    """Measure everything."""
    print(f"{'':<34}{'ours':>10}{'other':>10}{'ratio':>10}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        intake(folder)
        despiking()
        levelling()
        outlining()
        layers(folder)
    print()
    print_speed()
    print()
    print_growth()
    print()
    print_memory([READINGS])
    print_stream_memory([READINGS])
    print()
    print_scores()
    print(flush=True)
    # A process of its own: it starts the host once more.
    subprocess.run([sys.executable, "-m", "tests.benchmarks.gridding_accuracy"], check=True)
    for part in ("ground", "ground_inversion"):
        subprocess.run([sys.executable, "-m", f"tests.benchmarks.{part}"], check=True)


if __name__ == "__main__":
    main()
