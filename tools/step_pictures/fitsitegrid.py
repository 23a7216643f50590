"""The picture of "Fit the site grid to map coordinates": residuals, and what a swap looks like."""

from __future__ import annotations

import textwrap
from pathlib import Path

import numpy as np
from lynchet.algorithms.intake.fitsitegrid import fitsitegrid
from lynchet.algorithms.intake.pegs.controlpoints import ControlPoints
from lynchet.algorithms.intake.pegs.helmert import fit
from lynchet.plugin.deliver.figures import INK, LINE, MARK, dress, new_figure

GROWN = 250.0
"""How much residuals are drawn larger than they are."""

NAMES = ("A", "B", "C", "D", "E")
SITE = np.array([0, 40, 43 + 24j, 19 + 41j, -2 + 37j])
OFF = np.array([0.012 - 0.006j, -0.009 + 0.014j, 0.004 - 0.017j, -0.015 + 0.003j, 0.008 + 0.006j])


def _points() -> ControlPoints:
    on_map = 430000 + 5900000j + np.exp(-1j * np.radians(17)) * SITE + OFF
    return ControlPoints(NAMES, SITE, on_map)


def draw(demo: Path, out: Path) -> None:
    """Draw it."""
    points = _points()
    found = fitsitegrid(points, unit="m")
    swapped = points.on_map.copy()
    swapped[[1, 2]] = swapped[[2, 1]]
    wrong = ControlPoints(NAMES, SITE, swapped)
    figure = new_figure(9.2, 5.2)
    left, right = figure.subplots(1, 2)
    _net(left, points, found.transformation, found.residual, GROWN)
    left.set_title(
        f"Residuals, {GROWN:.0f} times their size: {found.sigma * 100:.1f} cm a coordinate",
        loc="left", fontsize=9, color=INK,
    )  # fmt: skip
    _net(right, wrong, *fit(wrong.site, wrong.on_map), 1.0)
    right.set_title("B and C exchanged: refused", loc="left", fontsize=9, color=INK)
    try:
        fitsitegrid(wrong, unit="m")
    except ValueError as refused:
        _caption(figure, 0.53, str(refused), MARK)
    _caption(figure, 0.05, " ".join(found.messages), INK)
    figure.subplots_adjust(left=0.05, right=0.985, top=0.93, bottom=0.19, wspace=0.12)
    figure.savefig(out / "fitsitegrid.png", dpi=132)


def _caption(figure, left: float, text: str, colour: str) -> None:
    figure.text(left, 0.16, textwrap.fill(text, 74), fontsize=7.5, color=colour, va="top")


def _net(axes, points: ControlPoints, how, residual: np.ndarray, grown: float) -> None:
    """The fitted lattice of the site grid, the points and their residuals."""
    dress(axes)
    axes.grid(False)
    origin = points.on_map.mean()
    for place in np.arange(0, 41, 10.0):
        for line in (place + 1j * np.array([0, 40]), np.array([0, 40]) + 1j * place):
            drawn = how.apply(line) - origin
            axes.plot(drawn.real, drawn.imag, color="#b9b49f", linewidth=0.8)
    fitted, tips = points.on_map - residual - origin, residual * grown
    for name, start, tip in zip(points.names, fitted, tips):
        axes.annotate(
            "", (start.real + tip.real, start.imag + tip.imag), (start.real, start.imag),
            arrowprops={"arrowstyle": "-|>", "color": MARK, "linewidth": 1.2, "shrinkA": 0,
                        "shrinkB": 0},
        )  # fmt: skip
        axes.plot(start.real, start.imag, "o", color=LINE, markersize=5)
        axes.annotate(
            name, (start.real, start.imag), xytext=(-12, -9), textcoords="offset points",
            fontsize=9, color=INK,
        )  # fmt: skip
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.08)
    axes.set_xticks([])
    axes.set_yticks([])
    axes.spines[["left", "bottom"]].set_visible(False)
