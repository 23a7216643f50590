"""The picture of drift: at the base, or at the crossings of lines."""

from __future__ import annotations

from pathlib import Path

from matplotlib.ticker import FuncFormatter, MultipleLocator

from ...algorithms.correct.driftbase import DriftCorrection, DriftCurve, clock
from ..outputs import FileOutput
from .figures import INK, LINE, MARK, dress, new_figure, save

CURVES = FileOutput(
    "CURVES",
    "Drift curves",
    "A page or picture of each channel's drift: look at it.",
    optional=True,
    filter="HTML page (*.html);;PNG picture (*.png);;SVG picture (*.svg)",
)
VISITS = (
    "Dots: visits to the base, with their robust spread. Line: the drift taken off. Dashes: "
    "the level that the readings were brought to."
)


def draw_drift(
    found: DriftCorrection, path: Path, title: str = "Drift at the base", note: str = VISITS
) -> None:
    """Draw each channel's visits and curve, a panel a channel and day.

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    curves = found.curves
    height = 1.75 * len(curves) + 0.9
    figure = new_figure(8.0, height)
    panels = figure.subplots(len(curves), 1, sharex=True, squeeze=False)[:, 0]
    several_days = len({curve.day for curve in curves}) > 1
    for axes, curve in zip(panels, curves):
        dress(axes)
        axes.axhline(curve.reference, color=INK, linewidth=0.8, linestyle=(0, (4, 3)))
        axes.plot(curve.time, curve.value, color=LINE, linewidth=1.4)
        axes.errorbar(
            curve.visit_time,
            curve.visit_value,
            yerr=curve.visit_spread,
            fmt="o",
            markersize=4,
            color=MARK,
            elinewidth=1.0,
        )
        day = f", day {curve.day + 1}" if several_days else ""
        axes.set_title(f"{curve.channel}{day}", loc="left", fontsize=9, color=INK)
        axes.set_ylabel(curve.unit or "channel units", fontsize=8, color=INK)
        axes.xaxis.set_major_formatter(FuncFormatter(lambda seconds, _: clock(seconds)[:5]))
    panels[-1].xaxis.set_major_locator(MultipleLocator(_tick(curves)))
    panels[-1].set_xlabel("Time of day", fontsize=8, color=INK)
    figure.subplots_adjust(
        left=0.11, right=0.98, top=1 - 0.35 / height, bottom=0.5 / height, hspace=0.35
    )
    save(figure, path, title, (*found.messages, note))


def _tick(curves: tuple[DriftCurve, ...]) -> float:
    """Seconds between ticks: a round figure of the clock that gives some eight of them."""
    span = max(c.time[-1] for c in curves) - min(c.time[0] for c in curves)
    minutes = (1, 2, 5, 10, 15, 30, 60, 120, 180, 360, 720, 1440)
    return next((60.0 * m for m in minutes if span <= 60 * m * 9), 86_400.0)
