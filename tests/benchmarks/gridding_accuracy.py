"""How near gridding comes to what was not shown to it: ours beside general-purpose libraries.

Every fifth traverse is left out whole, five times over, and predicted from the others; the score
is the RMS error at the readings left out. The outermost traverses are not scored, and of the
others only positions where every method gives a value. See `docs/gridding-accuracy.md`.

    python -m tests.benchmarks.gridding_accuracy [--ours a,b] [--no-rivals] [--quick]
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import time
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from .gridding_fields import FIELDS, ROOT, Field, walked
from .gridding_host import host_rivals, in_host
from .gridding_rivals import SLOW, all_rivals

FOLDS = 5
Predict = Callable[[Field, np.ndarray, np.ndarray], np.ndarray]
"""From a field, the rows left out and those of them to predict (masks) to values ``(m, c)``."""


@dataclass(frozen=True)
class Entry:
    """One method, with one setting, on one field: values at every reading, shape ``(n, c)``."""

    method: str
    setting: str
    ours: bool
    values: np.ndarray
    seconds: float


def folds(field: Field) -> Iterator[np.ndarray]:
    """Masks of the rows left out, fold by fold."""
    for fold in range(FOLDS):
        yield field.traverse % FOLDS == fold


def predicted(field: Field, predict: Predict) -> tuple[np.ndarray, float]:
    """What a method gives at each reading from the folds without it, and the seconds it took."""
    values = np.full(field.readings.values.shape, np.nan)
    begun = time.perf_counter()
    for left_out in folds(field):
        asked = left_out & field.scored
        values[asked] = predict(field, left_out, asked)
    return values, time.perf_counter() - begun


def of_ours(name: str) -> Predict:
    """One of our methods with its default options."""
    from lynchet.algorithms.gridding.gridreadings import GriddingOptions, predict_readings

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        at = field.readings.x[asked], field.readings.y[asked]
        return predict_readings(field.without(left_out), GriddingOptions(method=name), *at)

    return predict


def score(field: Field, values: np.ndarray, against: np.ndarray, rows: np.ndarray) -> float:
    """RMS error over some rows, channel by channel in its unit, and the mean of the channels."""
    off = (values[rows] - against[rows]) / field.unit
    return float(np.sqrt(np.mean(off**2, axis=0)).mean())


@dataclass(frozen=True)
class Scores:
    """Of one field: by method, the score at readings, to the truth, the setting and seconds."""

    field: Field
    share: float
    rows: dict[str, tuple[float, float, str, float]]
    ours: tuple[str, ...]

    def best(self, ours: bool) -> tuple[str, float]:
        """The best of ours or of the others."""
        found = {name: row[0] for name, row in self.rows.items() if (name in self.ours) == ours}
        name = min(found, key=found.get)
        return name, found[name]


def both(field: Field, tried: list[Entry | None]) -> list[Scores]:
    """The scores of a field and, where a few spots outweigh all else, of the rest of it."""
    entries = [entry for entry in tried if entry is not None]
    if not field.spots.any():
        return [scored(field, entries)]
    rest = replace(field, name=f"{field.name}, off metal", spots=np.zeros_like(field.spots))
    return [scored(field, entries), scored(rest, entries, ~field.spots)]


def scored(field: Field, entries: list[Entry], among: np.ndarray | bool = True) -> Scores:
    """The scores of a field, of each method its best setting by the score itself."""
    rows = field.scored & among
    whole = rows.sum()
    for entry in entries:
        rows = rows & np.isfinite(entry.values).all(axis=1)
    found: dict[str, tuple[float, float, str, float]] = {}
    for entry in entries:
        at = score(field, entry.values, field.readings.values, rows)
        if entry.method not in found or at < found[entry.method][0]:
            true = score(field, entry.values, field.truth, rows)
            found[entry.method] = at, true, entry.setting, entry.seconds
    ours = tuple(dict.fromkeys(entry.method for entry in entries if entry.ours))
    return Scores(field, rows.sum() / whole, found, ours)


def entry_of(field: Field, name: str, setting: str, ours: bool, predict: Predict) -> Entry | None:
    """A method's predictions; None, and a line of text, if it fails: others must not suffer."""
    try:
        return Entry(name, setting, ours, *predicted(field, predict))
    except Exception as problem:
        print(f"{name} {setting} on {field.name}: {type(problem).__name__}: {problem}", flush=True)
        return None


def entry_of_rival(field_name: str, number: int) -> Entry | None:
    """Of one rival, by its place in the list: for a process of its own."""
    warnings.simplefilter("ignore")  # what a rival warns of, its score shows
    field = FIELDS[field_name]()
    name, setting, predict = all_rivals()[number]
    return entry_of(field, name, setting, False, predict)


def run(names: list[str], ours: list[str], rivals: bool, quick: bool) -> list[Scores]:
    """Every method on some fields: slow rivals on all cores, meanwhile ours and the host's here."""
    fields = {name: FIELDS[name]() for name in names}
    if not rivals:
        return [
            result
            for field in fields.values()
            for result in both(
                field, [entry_of(field, one, "", True, of_ours(one)) for one in ours]
            )
        ]
    # One core each: the threads of linear algebra would only get into each other's way.
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    with ProcessPoolExecutor(os.cpu_count(), multiprocessing.get_context("spawn")) as pool:
        slow = [number for number, (name, *_) in enumerate(all_rivals()) if name in SLOW]
        waiting = {
            name: [
                pool.submit(entry_of_rival, name, number)
                for number in range(len(all_rivals()))
                if not (quick and number in slow)
            ]
            for name in reversed(names)  # the largest first
        }
        found = {
            name: [entry_of(field, one, "", True, of_ours(one)) for one in ours]
            for name, field in fields.items()
        }
        with in_host():
            for name, field in fields.items():
                found[name] += [entry_of(field, *one[:2], False, one[2]) for one in host_rivals()]
        for name in names:
            found[name] += [one.result() for one in waiting[name]]
    return [result for name in names for result in both(fields[name], found[name])]


def table(results: list[Scores]) -> str:
    """The table in the guide's form: at the readings left out (to the truth), our methods first."""
    names = list(dict.fromkeys(name for result in results for name in result.rows))
    ours = {name for result in results for name in result.ours}
    names.sort(key=lambda name: name not in ours)
    lines = [
        "| method | " + " | ".join(result.field.name for result in results) + " |",
        "|---|" + "---|" * len(results),
    ]
    for name in names:
        cells = []
        for result in results:
            at, true, setting, _ = result.rows.get(name, (np.nan, np.nan, "", 0))
            noisy = not np.array_equal(result.field.truth, result.field.readings.values)
            cell = f"{at:.3f}" + (f" ({true:.3f})" if noisy else "")
            cells.append(cell + (f", {setting}" if setting else ""))
        mark = f"**{name}**" if name in ours else name
        lines.append(f"| {mark} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def verdicts(results: list[Scores]) -> str:
    """A line a field: the best of ours beside the best of the others."""
    lines = []
    for result in results:
        text = f"{result.field.name}: scored at {result.share:.1%} of the inner readings"
        if result.ours:
            name, ours = result.best(True)
            text += f"; best of ours {ours:.3f} ({name})"
            if len(result.rows) > len(result.ours):
                other, theirs = result.best(False)
                text += f", best of the others {theirs:.3f} ({other}), ratio {ours / theirs:.3f}"
        lines.append(text)
    return "\n".join(lines)


BEARINGS = (0.0, 37.0, 90.0)


def reproduced(ours: list[str]) -> str:
    """How far each of our methods is from a constant and a plane, between the traverses."""
    from lynchet.algorithms.gridding.gridreadings import GriddingOptions, predict_readings

    lines = [
        "| method | "
        + " | ".join(f"constant, {b:g} | plane, {b:g}" for b in BEARINGS).replace(",", " at")
        + " |",
        "|---|" + "---|" * (2 * len(BEARINGS)),
    ]
    for name in ours:
        cells = []
        for bearing in BEARINGS:
            both = walked(
                "", (10.0, 10.0), (0.5, 0.125),
                lambda u, v: np.array([0 * u + 17.3, 12 + 0.7 * u - 0.4 * v]),
                lambda shape, channels: np.zeros((shape[0] * shape[1], channels)), bearing,
            )  # fmt: skip
            rng = np.random.RandomState(5)
            u, v = rng.uniform(0.3, 9.7, (2, 2000))
            place = (u + 1j * v) * np.exp(-1j * np.radians(bearing)) + complex(430_000, 5_900_000)
            found = predict_readings(
                both.readings, GriddingOptions(method=name), place.real, place.imag
            )
            off = np.abs(found - np.column_stack([0 * u + 17.3, 12 + 0.7 * u - 0.4 * v]))
            cells += [f"{part:.1e}" if part else "0" for part in off.max(axis=0)]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


PAGE = ROOT / "docs" / "gridding-accuracy.md"
START, END = "<!-- accuracy: written by tests/benchmarks/gridding_accuracy.py -->", "<!-- end -->"


def page_text(results: list[Scores], ours: list[str]) -> str:
    """What the guide shows."""
    return "\n\n".join(
        [
            table(results),
            "\n".join(f"- {line}" for line in verdicts(results).splitlines()),
            "Largest error on a constant and on a plane, between the traverses, by their bearing:",
            reproduced(ours),
        ]
    )


def write_page(text: str) -> None:
    """Put the tables into their page."""
    page = PAGE.read_text("utf-8")
    head, rest = page.split(START)
    tail = rest.split(END, 1)[1]
    PAGE.write_text(f"{head}{START}\n\n{text}\n\n{END}{tail}", "utf-8")


def main() -> None:
    """Score, print and, if asked, write the page."""
    from lynchet.algorithms.gridding.methods import methods

    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--ours", help="ids of our methods, with commas; all if left out")
    parser.add_argument("--fields", help=f"of {', '.join(FIELDS)}, with commas; all if left out")
    parser.add_argument("--no-rivals", action="store_true", help="our methods alone")
    parser.add_argument(
        "--quick", action="store_true", help="without the sample survey and the slowest rivals"
    )
    parser.add_argument("--write", action="store_true", help=f"into {PAGE.name} as well")
    given = parser.parse_args()
    ours, names = (text.split(",") if text else None for text in (given.ours, given.fields))
    ours = ours or list(methods())
    names = names or [name for name in FIELDS if not (given.quick and name == "sample")]
    results = run(names, ours, not given.no_rivals, given.quick)
    text = page_text(results, ours)
    print(text)
    if given.write:
        write_page(text)
    print("\nSeconds for the folds of each field, other work going on beside:")
    for result in results:
        took = ", ".join(f"{name} {row[3]:.1f}" for name, row in result.rows.items())
        print(f"  {result.field.name}: {took}")


if __name__ == "__main__":
    main()
