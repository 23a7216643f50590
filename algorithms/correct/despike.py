"""Remove spikes: readings that stand out from their neighbours along the traverse."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from ..options import check_words
from ..progress import Progress, keep_going, portion, side_by_side
from ..readings import BoolArray, Correction, FloatArray, IntArray, Qc, Readings
from ..words import plural
from .neighbours import shown_beside
from .runs import find_runs
from .traverses import GridLines, grids_of
from .windows import MAD_TO_SIGMA, Walk, running_deviation, running_median

UNITS = ("readings", "map_units")
ROUNDS = 2
"""How often runs are looked for."""

SIDES = ("both", "high", "low")
REPLACEMENTS = ("median", "interpolation", "null")
FEWEST = 3
"""Values a window must hold before it can tell a spike."""

LONGEST = 50
"""Most readings of a run of spikes: what is longer is no accident of a few readings."""

CROWDED = 0.05
"""Share of spikes above which the settings are suspected, not the readings."""


@dataclass(frozen=True)
class DespikeOptions:
    """What counts as a spike and what becomes of it.

    Parameters
    ----------
    window
        Full length of the window: an odd number of readings, or map units along the walk.
    window_unit
        ``"readings"`` or ``"map_units"``.
    threshold
        Robust standard deviations from the window's median beyond which a reading is a spike.
    noise_floor
        The window's spread is never taken for less than this, channel units: one number for all
        channels, one per channel, or empty for each channel's own noise (`noise_level`).
    side
        ``"both"``, or only spikes that are ``"high"`` or ``"low"``.
    replace_by
        ``"median"`` of the window, ``"interpolation"`` along the walk between the nearest good
        readings, or ``"null"``.
    passes
        How often to look again with the spikes found so far left out of the windows.
    longest_run
        Also find runs of up to that many spikes, which the window's median alone cannot see
        through (see `runs.find_runs`); 0 for none.
    keep_shared
        Keep what a traverse beside shows at the same place too (see `neighbours.shown_beside`).

    Raises
    ------
    ValueError
        If a number is out of its range or a word unknown.
    """

    window: float = 7
    window_unit: str = "readings"
    threshold: float = 5.0
    noise_floor: tuple[float, ...] = ()
    side: str = "both"
    replace_by: str = "interpolation"
    passes: int = 2
    longest_run: int = 0
    keep_shared: bool = False

    def __post_init__(self) -> None:
        check_words(
            ("Window unit", self.window_unit, UNITS),
            ("Side", self.side, SIDES),
            ("Replacement", self.replace_by, REPLACEMENTS),
        )
        if self.window_unit == "readings" and (self.window < FEWEST or self.window % 2 != 1):
            raise ValueError(
                f"The window is {self.window:g} readings: choose an odd number of 3 or more."
            )
        if not self.window > 0:
            raise ValueError(f"The window is {self.window:g} map units: choose a length above 0.")
        if not self.threshold > 0:
            raise ValueError(f"The threshold is {self.threshold:g}: choose a number above 0.")
        if any(not floor >= 0 for floor in self.noise_floor):
            raise ValueError("A noise floor is below 0: choose 0 or more.")
        if self.passes < 1:
            raise ValueError(f"The number of passes is {self.passes}: choose 1 or more.")
        if not 0 <= self.longest_run <= LONGEST:
            raise ValueError(
                f"The longest run is {self.longest_run} readings: choose 0 to {LONGEST}."
            )


def despike(
    readings: Readings, options: DespikeOptions | None = None, progress: Progress = keep_going
) -> Correction:
    """Flag and replace spikes in every channel.

    A reading is a spike where it departs from the running median of its window by more than
    `threshold` times the window's robust spread, 1.4826 times the median absolute deviation from
    that median, or the noise floor where that is larger. Spikes found in one pass are left out of
    the windows of the next, so that runs of them do not hide each other. A feature wider than half
    of the window is never a spike. Nothing is judged by, or replaced from, what lies behind a gap
    in the traverse (`windows.GAP`).

    Missing, off-scale and excluded readings neither inform a window nor are flagged. A flagged
    reading gets `Qc.SPIKE`, and `Qc.FILLED` where its value was replaced by another.

    Raises
    ------
    ValueError
        If the noise floors do not fit the channels, or no reading belongs to a traverse.

    References
    ----------
    L. Davies and U. Gather (1993), *The identification of multiple outliers*, Journal of the
    American Statistical Association 88, 782-792; F. R. Hampel (1974), *The influence curve and its
    role in robust estimation*, ibid. 69, 383-393.

    Examples
    --------
    >>> r = Readings.build(x=range(9), y=[0] * 9, values=[1, 2, 1, 2, 90, 2, 1, 2, 1])
    >>> found = despike(r, DespikeOptions(window=5))
    >>> found.readings.values[:, 0].tolist(), found.figures["spikes c1"]
    ([1.0, 2.0, 1.0, 2.0, 2.0, 2.0, 1.0, 2.0, 1.0], 1)
    """
    options = options or DespikeOptions()
    c = len(readings.channels)
    if len(options.noise_floor) not in (0, 1, c):
        raise ValueError(
            f"There are {len(options.noise_floor)} noise floors for {c} channels: give one for "
            "all, or one per channel."
        )
    walk = Walk.of(readings).parted()
    if not len(walk.rows):
        raise ValueError("No reading belongs to a traverse. Choose the traverse number field.")
    low, high = (
        walk.by_count(int(options.window))
        if options.window_unit == "readings"
        else walk.by_distance(options.window)
    )
    values, qc = readings.values.copy(), readings.qc.copy()
    usable = readings.usable[walk.rows]
    grids = grids_of(readings) if options.keep_shared else ()
    figures: dict[str, float | int | str] = {}
    messages, warnings = [], []

    def looked_over(
        k: int, part: Progress
    ) -> tuple[FloatArray, float, BoolArray, FloatArray, BoolArray]:
        column = np.where(usable[:, k], readings.values[walk.rows, k], np.nan)
        floor = (
            options.noise_floor[min(k, len(options.noise_floor) - 1)]
            if options.noise_floor
            else noise_level(column, walk)
        )
        spikes, median = find_spikes_and_runs(column, walk, (low, high), floor, options, part)
        shared = np.zeros_like(spikes)
        if options.keep_shared:
            shared = _shared(column, spikes, walk, grids, options)
        return column, floor, spikes & ~shared, median, shared

    looked = side_by_side([partial(looked_over, k) for k in range(c)], progress)
    for k, (name, (column, floor, spikes, median, shared)) in enumerate(
        zip(readings.channels, looked)
    ):
        if options.keep_shared:
            figures[f"kept as shared {name}"] = int(shared.sum())
        rows = walk.rows[spikes]
        values[rows, k] = _replacements(column, spikes, median, walk, options.replace_by)
        qc[rows] |= int(Qc.SPIKE)
        filled = rows[np.isfinite(values[rows, k])]
        qc[filled] |= int(Qc.FILLED)
        count, judged = len(rows), int(np.isfinite(column).sum())
        share = count / max(judged, 1)
        figures[f"spikes {name}"] = count
        figures[f"noise floor {name}"] = float(f"{floor:.4g}")
        kept = figures.get(f"kept as shared {name}")
        more = (
            "" if kept is None else f" {kept:,} more were kept: a traverse beside shows them too."
        )
        found = f"{plural(count, 'spike')} in {judged:,} readings ({share:.2%})."
        messages.append(f"{name}: {found}{more}")
        if share > CROWDED:
            warnings.append(
                f"{name}: {share:.0%} of the readings were taken for spikes. Raise the threshold, "
                "or lengthen the window if features are as short as it."
            )
    return Correction(readings.with_values(values, qc), figures, tuple(messages), tuple(warnings))


def noise_level(column: FloatArray, walk: Walk) -> float:
    """Robust noise of a channel from its second differences along the walk, channel units.

    The second difference of independent noise has the square root of 6 times its standard
    deviation, while slopes cancel; the median absolute deviation keeps spikes from counting.
    """
    if len(column) < FEWEST:
        return 0.0
    inside = walk.first[2:] == walk.first[:-2]
    second = (column[2:] - 2 * column[1:-1] + column[:-2])[inside]
    second = second[np.isfinite(second)]
    if not len(second):
        return 0.0
    spread = MAD_TO_SIGMA * float(np.median(np.abs(second - np.median(second))))
    if spread == 0.0:
        # Readings written with few digits on flat ground: most differences are 0, and a step of
        # the last digit is no spike.
        steps = np.abs(second[second != 0])
        spread = float(steps.min()) if len(steps) else 0.0
    return spread / float(np.sqrt(6.0))


def find_spikes(
    column: FloatArray,
    windows: tuple[IntArray, IntArray],
    floor: float,
    options: DespikeOptions,
    progress: Progress = keep_going,
) -> tuple[BoolArray, FloatArray]:
    """Find the spikes of one channel in walking order, and the last running median, ``(m,)``."""
    low, high = windows
    spikes: BoolArray = np.zeros(len(column), np.bool_)
    median: FloatArray = np.full(len(column), np.nan)
    for number in range(options.passes):
        part = portion(progress, number / options.passes, (number + 1) / options.passes)
        good = np.where(spikes, np.nan, column)
        median = running_median(good, low, high, portion(part, 0.0, 0.5))
        spread = MAD_TO_SIGMA * running_deviation(good, median, low, high, portion(part, 0.5, 1.0))
        held = np.concatenate([[0], np.cumsum(np.isfinite(good))])
        enough = held[high] - held[low] >= FEWEST
        departure = column - median
        if options.side != "high":
            departure = np.abs(departure) if options.side == "both" else -departure
        with np.errstate(invalid="ignore"):
            out = enough & (departure > options.threshold * np.maximum(spread, floor))
        if not (out & ~spikes).any():
            break
        spikes |= out
    return spikes, median


def find_spikes_and_runs(
    column: FloatArray,
    walk: Walk,
    windows: tuple[IntArray, IntArray],
    floor: float,
    options: DespikeOptions,
    progress: Progress = keep_going,
) -> tuple[BoolArray, FloatArray]:
    """Find spikes and, where the options ask for them, runs of them: see `find_spikes`.

    Runs come first: spikes are then told in windows without them. They are looked for once more
    with those spikes left out, for a spike beside a run hides its edge.
    """
    if not options.longest_run:
        return find_spikes(column, windows, floor, options, progress)
    found: BoolArray = np.zeros(len(column), np.bool_)
    median: FloatArray = np.full(len(column), np.nan)
    for number in range(ROUNDS):
        left = np.where(found, np.nan, column)
        runs = find_runs(left, walk, options.longest_run, options.threshold, floor, options.side)
        if number and not runs.any():
            break
        found |= runs
        left = np.where(found, np.nan, column)
        part = portion(progress, number / ROUNDS, (number + 1) / ROUNDS)
        spikes, median = find_spikes(left, windows, floor, options, part)
        found |= spikes
    return found, median


def _shared(
    column: FloatArray,
    spikes: BoolArray,
    walk: Walk,
    grids: tuple[GridLines, ...],
    options: DespikeOptions,
) -> BoolArray:
    """Which spikes a traverse beside shows too, in walking order."""
    # The ground around is the median of a window wide enough for a run or a narrow feature to
    # stand out from in full.
    if options.window_unit == "readings":
        low, high = walk.by_count(2 * max(int(options.window), options.longest_run) + 1)
    else:
        low, high = walk.by_distance(2 * options.window)
    size = int(walk.rows.max()) + 1
    departure: FloatArray = np.full(size, np.nan)
    departure[walk.rows] = column - running_median(column, low, high)
    candidate: BoolArray = np.zeros(size, np.bool_)
    candidate[walk.rows] = spikes
    shared: BoolArray = np.zeros(size, np.bool_)
    for lines in grids:
        shared[shown_beside(lines, departure, candidate)] = True
    return shared[walk.rows]


def _replacements(
    column: FloatArray, spikes: BoolArray, median: FloatArray, walk: Walk, how: str
) -> FloatArray:
    """Values for the spikes, in walking order; NaN where nothing good is near."""
    if how == "null":
        return np.full(int(spikes.sum()), np.nan)
    between = interpolate_along(column, spikes, walk)
    # A run longer than the window leaves it no median.
    found = median[spikes]
    return np.where(np.isnan(found), between, found) if how == "median" else between


def interpolate_along(column: FloatArray, gaps: BoolArray, walk: Walk) -> FloatArray:
    """Values at `gaps` on straight lines, by walked distance, between the nearest good readings.

    Before the first or after the last good reading of a traverse, that reading's value; NaN in a
    traverse without any.
    """
    place = np.arange(len(column))
    good = np.isfinite(column) & ~gaps
    before = np.maximum.accumulate(np.where(good, place, -1))[gaps]
    after = np.minimum.accumulate(np.where(good, place, len(column))[::-1])[::-1][gaps]
    has_before = before >= walk.first[gaps]
    has_after = after < walk.last[gaps]
    left = np.where(has_before, before, np.where(has_after, after, 0))
    right = np.where(has_after, after, left)
    left_value, right_value = column[left], column[right]
    # Where positions are missing or coincide, the order of the readings stands in for distance.
    along = np.where(np.isfinite(walk.distance), walk.distance, np.nan)
    span = along[right] - along[left]
    share = (along[gaps] - along[left]) / np.where(span > 0, span, np.nan)
    by_order = (place[gaps] - left) / np.maximum(right - left, 1)
    share = np.where(np.isfinite(share), share, by_order)
    values: FloatArray = left_value + np.clip(share, 0.0, 1.0) * (right_value - left_value)
    values[~has_before & ~has_after] = np.nan
    return values
