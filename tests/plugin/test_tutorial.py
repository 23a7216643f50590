"""The tutorial's commands run as they stand, one after another, and make what they say."""

import os
import re
import subprocess

from host import ROOT


def commands():
    """The indented blocks of the tutorial, as one script."""
    text = (ROOT / "docs" / "tutorial.md").read_text("utf-8")
    blocks = re.findall(r"(?:^    .*\n?)+", text, flags=re.MULTILINE)
    return "\n".join(re.sub(r"^    ", "", block, flags=re.MULTILINE) for block in blocks)


def test_the_tutorial_runs_as_it_stands(provider, tmp_path):
    script = commands().replace("S=sample_layers", f"S='{ROOT}/sample_layers'")
    script = script.replace("$S", '"$S"').replace("tools/process", f"'{ROOT}/tools/process'")
    environment = {**os.environ, "LYNCHET_PROFILE": str(tmp_path / "profile")}
    done = subprocess.run(
        ["sh", "-eu", "-c", script],
        cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    made = {path.name for path in tmp_path.iterdir()}
    assert {
        "readings.gpkg", "base.gpkg", "track.gpkg", "despiked.gpkg", "undrifted.gpkg", "drift.html",
        "data_grids.gpkg", "stakes.csv", "traverses.gpkg", "from_data_grids.gpkg",
        "from_marks.gpkg", "from_stream.gpkg", "from_gdf2.gpkg", "track_lines.gpkg",
        "track_050.gpkg", "sketch.gpkg", "corrected.gpkg", "corrected.tif",
        "methods.gpkg", "methods.png", "profiles.gpkg", "fills.gpkg", "narrow.tif",
        "anomalies.gpkg", "depths.gpkg", "depths.png", "layers.gpkg", "section.png",
        "depth_slices.tif", "r.gpkg", "c.gpkg", "m.tif", "a.gpkg",
    } <= made  # fmt: skip
