"""What bringing in a table or a stream needs: memory over the readings' own size, and time.

``python -m tests.benchmarks.intake 1000000 10000000`` measures tables of so many rows, first the
science alone, then the whole step through the host's launcher, and the science alone for streams
of so many readings with ten to a fix; ``table`` or ``stream`` before the numbers measures these
alone. A ratio of 1 is the size of the numbers kept, 8 bytes a row and column; start-up memory is
taken off.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from ..invented_stream import gga

ROOT = Path(__file__).resolve().parents[2]
READ = 4 + 3
"""Columns of numbers that reading keeps: channels, time, line and sequence."""
PLACED = READ + 4
"""Those of the layer: x, y, along and bearing besides."""
LINE = 2_000
"""Readings of a traverse."""
STREAMED = 4 + 2 + 4
"""Columns of a stream without traverses: channels, time and sequence, and those placed."""
A_SECOND = 10
"""Readings a second, with one fix."""

# A child's peak counts that of the process it was started from, so a small one starts it.
LAUNCHER = (
    "import os, sys; child = os.spawnvp(os.P_NOWAIT, sys.argv[1], sys.argv[1:]); "
    "_, status, used = os.wait4(child, 0); print('peak', used.ru_maxrss); "
    "sys.exit(os.WEXITSTATUS(status) if os.WIFEXITED(status) else 1)"
)
SCIENCE = """
import sys
from pathlib import Path
sys.path.insert(0, str(Path(sys.argv[1]) / "tools"))
from host import import_checkout
import_checkout()
from lynchet.algorithms.intake.importtable import Roles, read_table
roles = Roles(grid="grid", line="line", sequence="reading", time="time", keep="mark")
print(len(read_table([Path(sys.argv[2])], None, roles).values))
"""


def write_table(path: Path, rows: int) -> None:
    """A logger's table of one data grid: clock times, four channels and a column of marks."""
    rng = np.random.default_rng(0)
    values = [[f"{value:.2f}" for value in rng.normal(20, 2, 10_000)] for _ in range(4)]
    with open(path, "w", encoding="utf-8") as file:
        file.write("grid,line,reading,time,ec_050 [mS/m],ip_050 [ppt],ec_100,ip_100,mark\n")
        for row in range(rows):
            second, part = divmod(row, 50)
            k = row % 10_000
            file.write(
                f"G1,{row // LINE + 1},{row % LINE + 1},{second // 3600 % 24:02d}:"
                f"{second // 60 % 60:02d}:{second % 60:02d}.{2 * part:02d},{values[0][k]},"
                f"{values[1][k]},{values[2][k]},{values[3][k]},{'x' if row % 1000 == 0 else ''}\n"
            )


JOIN = """
import sys
from pathlib import Path
sys.path.insert(0, str(Path(sys.argv[1]) / "tools"))
from host import import_checkout
import_checkout()
from lynchet.algorithms.intake.importstream import place_stream
from lynchet.algorithms.intake.stream.lines import read_stream
from lynchet.algorithms.intake.stream.recipe import parse_recipe
recipe = "begins: M; parted by: blanks; time: 2; channels: 3 = a, 4 = b, 5 = c, 6 = d"
stream = read_stream([Path(sys.argv[2])], [], parse_recipe(recipe))
fixes = stream.fixes
print(len(place_stream(stream, fixes.longitude * 1e5, fixes.latitude * 1e5).placed.x))
"""


def write_stream(path: Path, readings: int) -> None:
    """A logger's stream: ten readings of four channels a second, and a fix, walked to and fro."""
    rng = np.random.default_rng(0)
    values = [" ".join(map("{:.2f}".format, row)) for row in rng.normal(20, 2, (10_000, 4))]
    with open(path, "w", encoding="ascii") as file:
        for k in range(readings):
            second, part = divmod(k, A_SECOND)
            second %= 86_400
            if not part:
                file.write(gga(second, 1e-3, 1e-5 * abs(second % 200 - 100)) + "\n")
            file.write(
                f"M {second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}.{part:d}0 "
                f"{values[k % 10_000]}\n"
            )


def peak(command: list[str]) -> tuple[float, float]:
    """Peak resident size of a command in bytes, and its seconds."""
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-S", "-c", LAUNCHER, *command], capture_output=True, text=True
    )
    if done.returncode:
        raise RuntimeError(done.stdout + done.stderr)
    return int(done.stdout.rpartition("peak ")[2]) * 1024.0, time.perf_counter() - begun


def science(root: Path, table: Path) -> list[str]:
    """The command that reads a table by the science alone."""
    return [sys.executable, "-c", SCIENCE, str(root), str(table)]


def step(root: Path, table: Path) -> list[str]:
    """The command that brings a table in as a user would."""
    return [
        str(root / "tools" / "process"), "run", "lynchet:importtable", "--", f"FILES={table}",
        "PLACEMENT=site_grid", "CRS=EPSG:25831", "GRID_COLUMN=grid", "LINE_COLUMN=line",
        "SEQUENCE_COLUMN=reading", "TIME_COLUMN=time", "KEEP_COLUMNS=mark",
        "ORIGIN=430000,5900000 [EPSG:25831]", "SEPARATION=0.5", "INTERVAL=0.125", "LENGTH=250",
        f"OUTPUT={table.with_suffix('.gpkg')}",
    ]  # fmt: skip


def join(root: Path, stream: Path) -> list[str]:
    """The command that reads a stream and places its readings by the science alone."""
    return [sys.executable, "-c", JOIN, str(root), str(stream)]


def print_memory(sizes: list[int], root: Path = ROOT, steps: bool = True) -> None:
    """Measure tables of the sizes given and print a line for each."""
    ways = [("read", science, READ)] + ([("whole step", step, PLACED)] if steps else [])
    _print(sizes, root, "rows", write_table, ways)


def print_stream_memory(sizes: list[int], root: Path = ROOT) -> None:
    """Measure streams of the sizes given and print a line for each."""
    _print(sizes, root, "readings", write_stream, [("streamed", join, STREAMED)])


def _print(sizes: list[int], root: Path, called: str, write: Callable, ways: list[tuple]) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "readings.txt"
        write(path, 20)
        idle = {what: peak(command(root, path))[0] for what, command, _ in ways}
        for rows in sizes:
            write(path, rows)
            path.with_suffix(".gpkg").unlink(missing_ok=True)
            for what, command, columns in ways:
                most, seconds = peak(command(root, path))
                ratio = (most - idle[what]) / (8 * rows * columns)
                print(
                    f"{f'bring in {rows:,} {called}, {what}':<40}{(most - idle[what]) / 1e6:8,.0f} "
                    f"MB{ratio:8.2f} x the size of its numbers{seconds:8.1f} s",
                    flush=True,
                )


if __name__ == "__main__":
    words = sys.argv[1:]
    asked = words[:1] if words[:1] in (["table"], ["stream"]) else []
    numbers = [int(rows) for rows in words[len(asked) :]] or [1_000_000]
    if asked != ["stream"]:
        print_memory(numbers)
    if asked != ["table"]:
        print_stream_memory(numbers)
