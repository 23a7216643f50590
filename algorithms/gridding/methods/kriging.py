"""Kriging: the best weighted mean of near readings, by how readings differ with distance."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ...progress import Progress, advance, keep_going, portion, side_by_side
from ...readings import FloatArray, IntArray
from ..kriging.choice import Chosen, Given, chosen
from ..kriging.models import MODELS, TITLES, Variogram, stretched
from ..kriging.neighbours import DENSE, Neighbours, evenly_spread
from ..kriging.system import TOGETHER, Distances, distances, solved
from ..kriging.trial import Trial, left_out_together, stretches
from ..method import Method, Option, Surface, Task

TOUCHING = 1e-6
"""Distance, map units, below which a cell centre counts as being at a reading."""
CLOSE = 16
"""Readings that one beside them is predicted from when the noise is judged."""
RESOLVED = 0.5
"""Share of the extent beyond which a range is not to be relied on: pairs of readings further apart
than half of it are few, and all of the same parts of the survey (A. G. Journel and C. J.
Huijbregts 1978, *Mining Geostatistics*, section III.B)."""
FITTED = "fitted"
NOISE, GROUND = "noise", "ground"
BALANCED, NEAREST = "balanced", "nearest"


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Find the variogram of each channel and the neighbour search that all channels share.

    Ordinary kriging in local neighbourhoods: the mean is unknown and may differ from one
    neighbourhood to the next. Each value is the weighted mean of the cell's readings, of weights
    that add up to 1, with the least expected squared error under the channel's variogram. The
    error's square root is the kriging standard deviation.

    References
    ----------
    G. Matheron (1963), *Principles of geostatistics*, Economic Geology 58, 1246-1266.
    J.-P. Chiles and P. Delfiner (2012), *Geostatistics: Modeling Spatial Uncertainty*, 2nd ed.
    """
    given = _given(task)
    neighbours = _neighbours(task, given)
    trials = _trials(task, neighbours)

    def job(channel: int) -> Callable[[Progress], Chosen]:
        return lambda part: chosen(task.xy, task.values[:, channel], given, trials, part)

    jobs = [job(channel) for channel in range(len(task.channels))]
    found = side_by_side(jobs, portion(progress, 0.05, 1.0))
    advance(progress, 1.0)
    variograms = [one.variogram for one in found]
    ground = task.options["nugget_is"] == GROUND
    figures, messages = _told(task, found)
    return Surface(
        _Kriged(task, neighbours, variograms, ground),
        extras=tuple((f"{name} kriging sd", unit) for name, unit in zip(task.channels, task.units)),
        figures=figures,
        messages=messages,
    )


def _given(task: Task) -> Given:
    """What the user has settled about the variogram."""

    def number(name: str) -> float | None:
        return None if task.options[name] is None else task.number(name)

    model = str(task.options["model"])
    ratio = number("ratio")
    bearing = number("bearing")
    if ratio not in (None, 1.0) and bearing is None:
        bearing = task.bearing
        if bearing is None:
            raise ValueError(
                "The ranges along and across differ, but the traverses have no common direction. "
                "Give the bearing of the longer range, or leave the ratio empty."
            )
    return Given(
        None if model == FITTED else model,
        number("nugget"),
        number("sill"),
        number("range"),
        ratio,
        bearing,
        number("exponent"),
    )


def _neighbours(task: Task, given: Given) -> Neighbours:
    """The neighbour search, by distances in which the ranges given are alike."""
    even = None
    spacing = task.separation
    step = np.hypot(*np.diff(task.xy, axis=0).T)[np.diff(task.line) == 0]
    balanced = task.options["neighbourhood"] == BALANCED
    if balanced and spacing and len(step) and spacing > DENSE * float(np.median(step)):
        even = evenly_spread(task.xy, task.line, spacing)
    metric = stretched(given.bearing or 0.0, 1.0, given.ratio or 1.0)
    return Neighbours(task.xy, even, int(task.number("neighbours")), metric)


def _trials(task: Task, neighbours: Neighbours) -> tuple[Trial, ...]:
    """What variograms are judged by: readings to predict, from far to near."""
    single: IntArray = np.arange(len(task.xy))
    stretch = single
    if task.separation is not None:
        stretch = stretches(task.xy, task.line, task.separation)
    near = Neighbours(task.xy, None, min(CLOSE, neighbours.count), neighbours.metric)
    whole = Trial(neighbours, left_out_together(task.xy, task.line, task.separation))
    return whole, Trial(near, stretch), Trial(near, single)


class _Kriged:
    """Values and standard deviations at any position; see `Surface.evaluate`."""

    def __init__(
        self, task: Task, neighbours: Neighbours, variograms: list[Variogram], ground: bool
    ) -> None:
        self.task, self.neighbours, self.variograms = task, neighbours, variograms
        self.ground = ground
        self.fewest = min(int(task.number("fewest")), neighbours.count)

    def __call__(self, cells: FloatArray) -> FloatArray:
        count = len(self.variograms)
        values: FloatArray = np.full((len(cells), 2 * count), np.nan)
        for start in range(0, len(cells), TOGETHER):
            part = slice(start, start + TOGETHER)
            values[part] = self._some(cells[part])
        return values

    def _some(self, cells: FloatArray) -> FloatArray:
        task, count = self.task, len(self.variograms)
        values: FloatArray = np.full((len(cells), 2 * count), np.nan)
        hidden = None
        if task.barriers is None:
            near = self.neighbours.nearest(cells)
            told: IntArray = np.arange(len(cells))
        else:
            near, hidden = self.neighbours.visible(cells, task.barriers)
            told = np.flatnonzero((~hidden).sum(axis=1) >= self.fewest)
            near, cells = near[told], cells[told]
            hidden = hidden[told] if hidden.any() else None
        offsets = task.xy[near] - cells[:, np.newaxis]
        away = np.hypot(offsets[..., 0], offsets[..., 1])
        if hidden is not None:
            away[hidden] = np.inf
        closest = away.argmin(axis=1)
        at = np.flatnonzero(away[np.arange(len(cells)), closest] <= TOUCHING)
        known: dict[tuple[float, float], Distances] = {}
        for channel, variogram in enumerate(self.variograms):
            readings = task.values[near, channel]
            if variogram.nugget + variogram.sill == 0.0:
                # all readings are alike, or there is but one, whose scatter nobody knows
                values[told, channel] = readings[:, 0]
                values[told, count + channel] = 0.0 if len(task.xy) > 1 else np.nan
                continue
            way = (variogram.ratio, variogram.bearing)
            if way not in known:
                known[way] = distances(offsets, variogram.metric)
            found = solved(known[way], variogram, readings.T, None if hidden is None else hidden.T)
            value = found.value
            total = variogram.nugget + variogram.sill
            variance = total * found.variance + (variogram.nugget if self.ground else 0.0)
            if self.ground or variogram.nugget == 0.0:
                value[at] = readings[at, closest[at]]
                variance[at] = 0.0
            values[told, channel] = value
            values[told, count + channel] = np.sqrt(variance)
        return values


def _told(task: Task, found: list[Chosen]) -> tuple[dict[str, float | int | str], tuple[str, ...]]:
    """Figures and messages of the variograms."""
    figures: dict[str, float | int | str] = {}
    messages = []
    extent = float(np.hypot(*np.ptp(task.xy, axis=0)))
    for name, unit, one in zip(task.channels, task.units, found):
        variogram = one.variogram
        whole: dict[str, float | int | str] = {
            "model": variogram.model,
            "nugget": variogram.nugget,
            "sill": variogram.sill,
            "range": variogram.range,
        }
        squared = f" ({unit})²" if unit else ""
        text = (
            f"{name}: {TITLES[variogram.model]} variogram, nugget {variogram.nugget:.3g}{squared}, "
            f"partial sill {variogram.sill:.3g}{squared}"
        )
        if variogram.bounded:
            text += f", range {variogram.range:.3g}"
            if task.options["range"] is None and variogram.range > RESOLVED * extent:
                text += (
                    " (the survey is too small to show where the variogram levels out: only how "
                    "it rises at short distances counts, not range and sill as such)"
                )
        else:
            text += f" at a distance of {variogram.range:.3g}"
        if variogram.model == "power":
            whole["exponent"] = variogram.exponent
            text += f", exponent {variogram.exponent:.2f}"
        if variogram.ratio != 1.0:
            whole["ratio"], whole["bearing"] = variogram.ratio, variogram.bearing
            text += (
                f" along bearing {variogram.bearing:.0f}°, {variogram.ratio:.2g} times that across"
            )
        if one.error is not None and one.beyond is not None:
            whole["left_out_error"] = one.error
            whole["beyond_3_sd"] = one.beyond
            text += (
                f"; readings predicted without their own traverse are off by {one.error:.3g}"
                f"{' ' + unit if unit else ''} (RMS), {100.0 * one.beyond:.1f} % of them by more "
                "than three times their standard deviation"
            )
        figures.update({f"{name} {key}": value for key, value in whole.items()})
        messages.append(text + ".")
    return figures, tuple(messages)


METHOD = Method(
    id="kriging",
    title="Kriging",
    help=(
        "Each cell takes the mean of near readings, weighted by how alike readings are at each "
        "distance: the variogram, which is found by itself, the one that best predicts traverses "
        "left out. The most accurate method for most surveys, and the only one that tells how far "
        "off it may be: a band with the kriging standard deviation comes with each channel. Noise "
        "of single readings (the nugget) is smoothed away, and with it what only one reading "
        "shows: set the nugget to 0 to keep every reading. The standard deviation trusts the "
        "variogram, which is one for the whole survey and that of the ground off iron: beside "
        "iron it is far too low, and where quiet ground meets disturbed, too high on the one side "
        "and too low on the other. The report tells how many readings left out are off by more "
        "than three times as much: 0.3 % where all is regular. It knows nothing of "
        "readings in the wrong place. Slower than the other methods."
    ),
    options=(
        Option(
            "model",
            "Variogram model",
            FITTED,
            help="How readings grow unlike with distance. Rough ground: spherical, exponential, "
            "linear, power; smooth ground: Matérn 3/2, Matérn 5/2, Gaussian (the smoothest). "
            "Fitted: the one that predicts left-out traverses best.",
            choices=(FITTED, *MODELS),
        ),
        Option(
            "nugget",
            "Nugget",
            None,
            unit="channel unit squared",
            help="Variance of the noise of a reading. 0: every reading is kept as it is. Empty: "
            "found from the readings, channel by channel.",
            minimum=0.0,
        ),
        Option(
            "sill",
            "Partial sill",
            None,
            unit="channel unit squared",
            help="Variance that the ground adds to the nugget; for the models linear and power, "
            "what they add at the range. Empty: found from the readings.",
            minimum=1e-30,
        ),
        Option(
            "range",
            "Range",
            None,
            unit="map units",
            help="Distance at which readings stop being alike: where the spherical model levels "
            "out and the other models are within 5 % of the sill. Empty: found from the readings.",
            minimum=1e-6,
        ),
        Option(
            "exponent",
            "Exponent",
            None,
            help="Power of the distance, for the model 'power' alone: 1 is linear, near 2 very "
            "smooth. Empty: found from the readings.",
            minimum=0.05,
            maximum=1.98,
        ),
        Option(
            "ratio",
            "Ratio of the ranges along and across",
            None,
            help="Range along the bearing over the range square to it, for ground with a grain. "
            "1: alike in every direction. Empty: found from the readings, and 1 where no "
            "direction is evident.",
            minimum=0.05,
            maximum=20.0,
        ),
        Option(
            "bearing",
            "Bearing of the longer range",
            None,
            unit="degrees",
            help="Clockwise from grid north. Empty: found from the readings or, where a ratio is "
            "given, that of the traverses.",
            minimum=-360.0,
            maximum=360.0,
        ),
        Option(
            "nugget_is",
            "The nugget is",
            NOISE,
            help="noise: the error of a reading; the raster is the ground without it. ground: "
            "real variation over less than the reading interval; cells at a reading take it, and "
            "the standard deviation includes the nugget.",
            choices=(NOISE, GROUND),
        ),
        Option(
            "neighbours",
            "Number of readings per cell",
            32,
            help="More readings smooth noise better and avoid faint seams, but the time grows "
            "with the square of the number and more.",
            minimum=1,
            maximum=200,
            whole=True,
        ),
        Option(
            "neighbourhood",
            "Which readings count for a cell",
            BALANCED,
            help="balanced: most of them spread evenly over several traverses, the others the "
            "nearest. nearest: the nearest ones, which may all lie on one traverse.",
            choices=(BALANCED, NEAREST),
        ),
        Option(
            "fewest",
            "Fewest readings for a cell",
            1,
            help="Cells that see fewer readings past the barriers stay empty.",
            minimum=1,
            maximum=200,
            whole=True,
        ),
    ),
    prepare=prepare,
)
