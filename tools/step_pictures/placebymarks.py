"""The picture of "Place readings between distance marks": an uneven walk, and two repairs."""

from __future__ import annotations

from pathlib import Path

import numpy as np

SPACING, LENGTH = 5.0, 30.0
LINES = 6


def walk():
    """An invented walk: true distances, marks and traverse of each reading."""
    rng = np.random.default_rng(12)
    along, line = [], []
    for number in range(1, LINES + 1):
        pace = 0.125 * np.repeat(1 + 0.22 * rng.normal(size=8), 40)
        place = np.cumsum(pace) - pace[0] / 2
        along.append(place[place < LENGTH])
        line += [number] * len(along[-1])
    return along, np.array(line)


def draw(demo: Path, out: Path) -> None:
    """Place the walk by its marks and draw it."""
    from lynchet.algorithms.intake.placebymarks import Marked, MarkOptions, placebymarks
    from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid
    from lynchet.plugin.deliver.figures import INK, LINE, MARK, dress, new_figure

    along, line = walk()
    marks = np.concatenate(
        [np.diff(np.clip(np.floor((one - 2.5) / SPACING), -1, 5), prepend=-1) > 0 for one in along]
    ).astype(float)
    zero = np.zeros(len(line), np.int64)
    at = [np.flatnonzero((line == k) & (marks != 0)) for k in range(1, LINES + 1)]
    marks[at[2][3]] = 0
    marks[at[4][2] + 3] = 1
    found = placebymarks(
        Marked(zero, ("",), line, None, np.full(len(line), np.nan), marks, zero),
        SiteGrid({"": Origin(0.0, 0.0)}, length=LENGTH),
        MarkOptions(SPACING, 2.5, repair="repair"),
    )
    figure = new_figure(11.0, 6.2)
    top, bottom = figure.subplots(2, 1, gridspec_kw={"height_ratios": (1, 1.05)})
    dress(top)
    first = line == 1
    true, number = along[0], np.arange(first.sum())
    even = (number + 0.5) * LENGTH / len(number)
    top.axhline(0, color=INK, linewidth=0.8)
    top.plot(true, even - true, color=MARK, label="spread over the whole traverse")
    top.plot(true, found.placed.along[first] - true, color=LINE, linewidth=2,
             label="placed between marks")  # fmt: skip
    for distance in np.arange(2.5, LENGTH, SPACING):
        top.axvline(distance, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
    top.set_title("Error of the positions on traverse 1 (dashes: marks)", loc="left", fontsize=11,
                  color=INK)  # fmt: skip
    top.set_ylabel("m", fontsize=9, color=INK)
    top.set_xlabel("m along", fontsize=9, color=INK)
    top.set_xlim(0, LENGTH)
    top.legend(fontsize=9, frameon=False, loc="best")
    dress(bottom)
    mended = {(repair.line, repair.what): repair.distance for repair in found.repairs}
    for k in range(1, LINES + 1):
        own = line == k
        place, doubtful = found.placed.along[own], found.qc[own] != 0
        height = np.full(len(place), float(k))
        bottom.plot(place[~doubtful], height[~doubtful], "|", color=LINE, markersize=7,
                    markeredgewidth=0.5)  # fmt: skip
        bottom.plot(place[doubtful], height[doubtful], "|", color=MARK, markersize=7,
                    markeredgewidth=0.5)  # fmt: skip
        pressed = place[marks[own] != 0]
        bottom.plot(pressed, np.full(len(pressed), k - 0.3), "^", color=INK, markersize=6)
    for (k, what), distance in mended.items():
        words = "missed: put in" if what == "missed" else "set twice"
        bottom.annotate(words, (distance, k - 0.3), xytext=(distance + 1.1, k - 0.42), fontsize=9,
                        color=MARK, va="center",
                        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8})  # fmt: skip
        if what == "missed":
            bottom.plot(distance, k - 0.3, "^", color=MARK, markerfacecolor="white", markersize=7)
    bottom.set_title("Readings (strokes) and marks (triangles); position doubtful in russet",
                     loc="left", fontsize=11, color=INK)  # fmt: skip
    bottom.set_yticks(range(1, LINES + 1))
    bottom.set_ylabel("traverse", fontsize=9, color=INK)
    bottom.set_xlabel("m along, from where each traverse was started", fontsize=9, color=INK)
    bottom.set_xlim(0, LENGTH)
    bottom.set_ylim(LINES + 0.5, 0.3)
    figure.tight_layout()
    figure.savefig(out / "placebymarks.png", dpi=110, metadata={"Software": None})
