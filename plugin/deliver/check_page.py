"""The page of a check: verdict, map, histograms, traverses and all findings."""

from __future__ import annotations

import base64
import io
from itertools import groupby
from pathlib import Path

import numpy as np
from jinja2 import Environment, FileSystemLoader
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from ...algorithms.check.checkreadings import Check
from ...algorithms.check.coverage import GAP
from ...algorithms.check.findings import VERDICTS, Finding
from ...algorithms.interpret.anomalies import CAUTION
from ...algorithms.readings import Readings
from ...algorithms.words import in_unit
from ..version import VERSION
from .figures import INK, LINE, MARK, dress, new_figure

MOST_DOTS = 40_000
"""Readings drawn on the map: every so many of a larger survey."""

NEUTRAL = "#8b8f86"
WAYS = ((1, LINE, "walked forward"), (2, MARK, "walked backward"), (0, NEUTRAL, "neither"))
EDGE_FIT, EDGE_UNFIT = "#5c7a4a", MARK
CAUTIONS = (
    "This page tells how well the ground was measured, not what lies in it: a survey can be fit to "
    "process and show nothing, or show much that is no archaeology.",
    "A verdict is a rule of thumb applied to figures. Where it matters, look at the readings "
    "themselves; strong features, fences, pipes and obstacles can look like faults.",
    "Without planned values a survey is judged by itself: what is wrong throughout looks right.",
    "Drift can only be told from ground that was read again later or from base readings; slow "
    "change of both time and place has two explanations.",
    CAUTION,
)


def write_check_page(found: Check, readings: Readings, name: str, unit: str, path: Path) -> None:
    """Write the page, its pictures inside it.

    Parameters
    ----------
    name
        What the layer is called.
    unit
        What the map unit is called.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    folder = Path(__file__).resolve().parent
    environment = Environment(
        loader=FileSystemLoader(str(folder)), autoescape=True, trim_blocks=True
    )
    page = environment.get_template("check_page.html.j2").render(
        title=f"Check of the readings: {name}",
        verdict=found.verdict,
        edge=EDGE_FIT if found.fit else EDGE_UNFIT,
        counts={v: sum(1 for f in found.findings if f.verdict == v) for v in VERDICTS},
        map=_embedded(_map(found, readings, unit)),
        map_words=_map_words(found, readings),
        channels=[_channel_row(found, k) for k in range(len(found.summaries))],
        histograms=_embedded(_histograms(found)),
        traverses=_embedded(_traverses(found, readings)) if len(found.traverses) > 1 else "",
        traverse_words=(
            "One dot a traverse, data grid after data grid in the order of their numbers; blue "
            "forward, russet backward. The offset is what sets a traverse off against those "
            "beside it; a sawtooth of the two colours is an effect of the direction walked."
        ),
        topics=[
            (topic, [_row(finding) for finding in findings])
            for topic, findings in groupby(found.findings, key=lambda finding: finding.topic)
        ],
        cautions=CAUTIONS,
        version=VERSION,
    )
    try:
        path.write_text(page, encoding="utf-8")
    except OSError as wrong:
        raise ValueError(f"The page cannot be written to '{path}' ({wrong}).") from wrong


def _row(finding: Finding) -> dict[str, object]:
    known = finding.figure == finding.figure
    return {
        "verdict": finding.verdict,
        "sentence": finding.sentence,
        "figure": in_unit(finding.figure, finding.unit) if known else "",
        "mend": f"lynchet:{finding.mend}" if finding.mend else "",
        "line": finding.line,
    }


def _channel_row(found: Check, k: int) -> list[str]:
    summary = found.summaries[k]
    known = found.noise[:, k][np.isfinite(found.noise[:, k])]
    noise = float(np.median(known)) if len(known) else float("nan")
    unit = f" [{summary.unit}]" if summary.unit else ""
    figures = (
        summary.lowest,
        summary.percentiles[1],
        summary.median,
        summary.percentiles[4],
        summary.highest,
        summary.sigma,
        noise,
    )
    return [
        f"{summary.channel}{unit}",
        f"{summary.count:,}",
        f"{summary.missing:,}",
        *("" if figure != figure else in_unit(figure, "") for figure in figures),
    ]


def _embedded(figure: Figure) -> str:
    held = io.BytesIO()
    figure.savefig(held, dpi=120, format="png")
    return f"data:image/png;base64,{base64.b64encode(held.getvalue()).decode('ascii')}"


# -- pictures ----------------------------------------------------------------------------------


def _map(found: Check, readings: Readings, unit: str) -> Figure:
    placed = np.flatnonzero(np.isfinite(readings.x) & np.isfinite(readings.y))
    shown = placed[:: -(-len(placed) // MOST_DOTS) or 1]
    x, y = readings.x[shown], readings.y[shown]
    width, height = (float(np.ptp(v)) if len(v) else 1.0 for v in (x, y))
    tall = 7.0 * min(max(height / max(width, 1e-9), 0.35), 1.3) + 1.0
    figure = new_figure(8.4, tall)
    axes = figure.add_axes([0.11, 0.55 / tall, 0.86, 1 - 1.0 / tall])
    dress(axes)
    size = float(np.clip(20_000 / max(len(shown), 1), 0.3, 8.0))
    for code, colour, label in WAYS:
        rows = found.direction[shown] == code
        if rows.any():
            axes.scatter(x[rows], y[rows], s=size, color=colour, linewidths=0, label=label)
    gaps = [patch.outline.outer for patch in found.patches if patch.kind == GAP]
    if gaps:
        hatched = PolyCollection(
            gaps, facecolors="#f2c14e99", edgecolors=INK, linewidths=0.7, hatch="////", label="gap"
        )
        axes.add_collection(hatched)
    axes.set_aspect("equal", adjustable="datalim")
    axes.ticklabel_format(style="plain", useOffset=False)
    axes.set_xlabel(f"Easting [{unit}]", fontsize=8, color=INK)
    axes.set_ylabel(f"Northing [{unit}]", fontsize=8, color=INK)
    axes.locator_params(nbins=6)
    axes.tick_params(axis="y", labelrotation=90)
    if len(shown):
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(0.0, 1.0),
            ncol=4,
            fontsize=8,
            frameon=False,
            markerscale=float(np.sqrt(14.0 / size)),
        )
    return figure


def _map_words(found: Check, readings: Readings) -> str:
    words = "Every reading by the direction in which its traverse was walked; north is up."
    if len(readings) > MOST_DOTS:
        words = f"Every {-(-len(readings) // MOST_DOTS)}th reading{words[len('Every reading') :]}"
    gaps = sum(1 for patch in found.patches if patch.kind == GAP)
    return f"{words} {'Hatched: gaps.' if gaps else 'There are no gaps.' if found.patches else ''}"


def _histograms(found: Check) -> Figure:
    count = len(found.summaries)
    rows = -(-count // 2)
    tall = 2.1 * rows + 0.2
    figure = new_figure(8.4, tall)
    for place, summary in enumerate(found.summaries):
        axes = figure.add_subplot(rows, 2, place + 1)
        dress(axes)
        width = np.diff(summary.edges)
        axes.bar(summary.edges[:-1], summary.bars, width, align="edge", color=LINE, alpha=0.75)
        if summary.median == summary.median:
            axes.axvline(summary.median, color=MARK, linewidth=1.2)
        axes.set_yticks([])
        axes.spines["left"].set_visible(False)
        unit = f" [{summary.unit}]" if summary.unit else ""
        axes.set_title(f"{summary.channel}{unit}", loc="left", fontsize=9, color=INK)
    figure.subplots_adjust(
        left=0.03, right=0.98, top=1 - 0.3 / tall, bottom=0.3 / tall, hspace=0.45, wspace=0.08
    )
    return figure


def _traverses(found: Check, readings: Readings) -> Figure:
    count = len(found.summaries)
    tall = 1.6 * count + 0.7
    figure = new_figure(8.4, tall)
    panels = figure.subplots(count, 2, sharex=True, squeeze=False)
    place = np.arange(len(found.traverses))
    way = np.array([found.direction[traverse.rows[0]] for traverse in found.traverses])
    grids = [traverse.grid for traverse in found.traverses]
    starts = [i for i in range(1, len(grids)) if grids[i] != grids[i - 1]]
    for k, summary in enumerate(found.summaries):
        for axes, table, what in zip(panels[k], (found.noise, found.offsets), ("noise", "offset")):
            dress(axes)
            for start in starts if len(starts) <= 40 else ():
                axes.axvline(start - 0.5, color="#b9b59f", linewidth=0.8)
            for code, colour, _ in WAYS:
                rows = way == code
                axes.plot(place[rows], table[rows, k], "o", markersize=2.2, color=colour)
            if what == "noise":
                known = table[:, k][np.isfinite(table[:, k])]
                axes.set_ylim(0, 1.15 * float(known.max()) if len(known) and known.max() else 1)
            unit = f" [{summary.unit}]" if summary.unit else ""
            axes.set_title(f"{summary.channel}, {what}{unit}", loc="left", fontsize=8, color=INK)
    for axes in panels[-1]:
        axes.set_xlabel("Traverse", fontsize=8, color=INK)
    if starts and len(starts) <= 12:
        for axes in panels[-1]:
            middles = [(a + b - 1) / 2 for a, b in zip([0, *starts], [*starts, len(grids)])]
            axes.set_xticks(middles)
            axes.set_xticklabels([grids[int(middle)] or "none" for middle in middles])
            axes.set_xlabel("Traverse, by data grid", fontsize=8, color=INK)
    figure.subplots_adjust(
        left=0.07, right=0.98, top=1 - 0.3 / tall, bottom=0.55 / tall, hspace=0.5, wspace=0.18
    )
    return figure
