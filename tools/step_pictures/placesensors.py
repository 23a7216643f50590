"""The picture of "Move readings to the coil midpoints": teeth of a saw before, none after."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from lynchet.algorithms.deliver.palettes import PEAT
from lynchet.algorithms.ground.bodies import body_response
from lynchet.algorithms.intake.placesensors import placesensors
from lynchet.algorithms.readings import Readings
from lynchet.plugin.deliver.figures import INK, LINE, MARK, dress, new_figure
from matplotlib.colors import ListedColormap
from PIL import Image
from scipy.interpolate import RegularGridInterpolator, griddata

SIDE, SEPARATION, INTERVAL, SPACING = 16.0, 0.5, 0.125, 1.0
CELL = 0.05


def _ground() -> RegularGridInterpolator:
    """Apparent conductivity with the midpoint over each place: a ring ditch, pits, flat soil."""
    axis = np.arange(-4, SIDE + 4, CELL)
    x, y = np.meshgrid(axis, axis)
    ring = np.abs(np.hypot(x - 8, y - 8) - 4.5) < 0.5
    for u, v, radius in ((8.2, 8.6, 0.7), (2.4, 13.2, 0.5), (13.6, 3.0, 0.6), (12.9, 13.4, 0.5)):
        ring |= np.hypot(x - u, y - v) < radius
    response = body_response(ring.astype(float), CELL, 0.35, 1.1, SPACING, "conductivity")
    return RegularGridInterpolator((axis, axis), 20 + 25 * response)


def _survey(ground: RegularGridInterpolator) -> Readings:
    """Walked to and fro, the position of the transmitter at the front recorded."""
    rng = np.random.default_rng(8)
    lines = np.arange(SEPARATION / 2, SIDE, SEPARATION)
    along = np.arange(INTERVAL / 2, SIDE, INTERVAL)
    way = np.where(np.arange(len(lines)) % 2 == 0, 1.0, -1.0)
    v = np.where(way[:, None] > 0, along, along[::-1])
    u = np.repeat(lines, len(along))
    values = ground(np.column_stack([(v - way[:, None] * SPACING / 2).ravel(), u]))
    return Readings.build(
        x=u, y=v.ravel(), values=values + rng.normal(0, 0.1, len(values)), channels=["ec_100"],
        line=np.repeat(np.arange(len(lines)), len(along)),
    )  # fmt: skip


def _track() -> Readings:
    """A winding walk, a reading every 0.1 or so."""
    s = np.linspace(0, 1, 160)
    x, y = 9.0 * s, 2.2 * np.sin(3.2 * np.pi * s) * (0.5 + 0.5 * s)
    return Readings.build(x=x, y=y, values=np.zeros(160), channels=["ec_100"])


def draw(demo: Path, out: Path) -> None:
    """Draw it."""
    before = _survey(_ground())
    after = placesensors(before, {"ec_100": SPACING}).readings
    figure = new_figure(9.2, 7.9)
    grid = figure.add_gridspec(
        2, 2, height_ratios=(1.65, 1), left=0.055, right=0.985, top=0.955, bottom=0.065,
        hspace=0.24, wspace=0.13,
    )  # fmt: skip
    colours = ListedColormap(PEAT.rgb(np.linspace(0, 1, 129)) / 255.0)
    fine = np.arange(0.1, SIDE, 0.1)
    low, high = np.percentile(before.values, [1, 99.5])
    for column, (title, found) in enumerate(
        (("Where the transmitter was", before), ("At the midpoints of the coils", after))
    ):
        axes = figure.add_subplot(grid[0, column])
        table = griddata((found.x, found.y), found.values[:, 0], tuple(np.meshgrid(fine, fine)))
        axes.imshow(
            table, origin="lower", extent=(0.05, SIDE - 0.05, 0.05, SIDE - 0.05), cmap=colours,
            vmin=low, vmax=high, interpolation="bilinear",
        )  # fmt: skip
        axes.set_title(title, loc="left", fontsize=10, color=INK)
        axes.tick_params(colors=INK, labelsize=8)
        axes.set_xlim(0, SIDE)
        axes.set_ylim(0, SIDE)
    _profiles(figure.add_subplot(grid[1, 0]), before, after)
    _curve(figure.add_subplot(grid[1, 1]))
    held = io.BytesIO()
    figure.savefig(held, dpi=132)
    # Few colours: a picture of the guide is not to weigh more than its page.
    Image.open(held).convert("RGB").quantize(220, Image.Quantize.MAXCOVERAGE).save(
        out / "placesensors.png", optimize=True
    )


def _profiles(axes, before: Readings, after: Readings) -> None:
    dress(axes)
    for shift, found, words in ((0.0, after, "at the midpoints"), (9.0, before, "as recorded")):
        for number, colour in ((15, LINE), (16, MARK)):
            rows = found.lines[number].rows
            axes.plot(found.y[rows], found.values[rows, 0] + shift, color=colour, linewidth=1.1)
        axes.annotate(words, (SIDE / 2, 25.0 + shift), fontsize=8, color=INK, ha="center")
    axes.set_xlim(0, SIDE)
    axes.set_ylim(17.5, 37.0)
    axes.set_yticks([])
    axes.set_title(
        "Two traverses side by side, there (russet) and back (blue)",
        loc="left", fontsize=9, color=INK,
    )  # fmt: skip
    axes.set_xlabel("Metres along", fontsize=8, color=INK)


def _curve(axes) -> None:
    dress(axes)
    track = _track()
    moved = placesensors(track, {"ec_100": 1.0}).readings
    axes.plot(track.x, track.y, color=MARK, linewidth=0.7)
    some = slice(8, None, 9)
    axes.plot(
        [track.x[some], moved.x[some]], [track.y[some], moved.y[some]], color=INK, linewidth=0.8
    )
    axes.plot(track.x[some], track.y[some], "o", color=MARK, markersize=3.5, label="transmitter")
    axes.plot(moved.x[some], moved.y[some], "o", color=LINE, markersize=3.5, label="midpoint")
    axes.set_aspect("equal", adjustable="datalim")
    axes.legend(fontsize=8, frameon=False, loc="lower left", labelcolor=INK)
    axes.set_title("A winding track: every ninth reading", loc="left", fontsize=9, color=INK)
    axes.set_xlabel("Metres", fontsize=8, color=INK)
