"""A corrected copy of a GeoPackage layer, made inside the file.

Where a layer is a GeoPackage of its own, the file is copied whole and only the corrected columns
are written anew: every other field, the geometry and its spatial index stay as they are. That is
several times faster than writing every feature through the host.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr

from ..algorithms.progress import Progress, advance, keep_going, portion

BATCH = 50_000
PAGES = 8_192
_HEADER = 8
"""Bytes before the coordinates' own byte order mark in a geometry without an envelope."""
_KINDS = {"real": ("REAL", "DOUBLE", "FLOAT"), "integer": ("INT", "INTEGER", "MEDIUMINT")}


def can_rewrite(
    source: Path, table: str, target: Path | None, columns: Mapping[str, str], moved: bool
) -> bool:
    """Tell whether a copy of a GeoPackage layer can be made by `rewrite`.

    Parameters
    ----------
    source, table
        The layer.
    target
        The file to write.
    columns
        Kind (real or integer) of each field to be written; a field that is there must be of it.
    moved
        Whether positions change too.
    """
    if target is None or {source.suffix.lower(), target.suffix.lower()} != {".gpkg"}:
        return False
    try:
        with closing(_opened(source)) as database:
            tables = database.execute("SELECT table_name, data_type FROM gpkg_contents").fetchall()
            if tables != [(table, "features")]:
                return False
            there = {row[1]: row for row in _columns(database, table)}
            if moved and not _plain_points(database, table):
                return False
    except sqlite3.Error:
        return False
    lower = {name.lower(): name for name in there}
    if sum(row[5] for row in there.values()) != 1:  # no primary key, or one of several columns
        return False
    for name, kind in columns.items():
        if name in there and (
            there[name][2].upper() not in _KINDS[kind] or there[name][3] or there[name][5]
        ):
            return False
        if name not in there and name.lower() in lower:
            return False
    return True


def rewrite(
    source: Path,
    table: str,
    target: Path,
    columns: Mapping[str, np.ndarray],
    xy: np.ndarray | None = None,
    progress: Progress = keep_going,
) -> None:
    """Write a copy of a layer with columns replaced or added; see `can_rewrite`.

    Parameters
    ----------
    source, table, target
        The layer, and the file to write; the layer there is called like the file.
    columns
        Values by field, one a feature in order of the feature ids: floats with NaN for NULL, or
        whole numbers.
    xy
        Easting and northing of every feature, shape ``(n, 2)``, where they change; a feature
        without a position stays so.

    Raises
    ------
    ValueError
        If the layer changed meanwhile, or the file cannot be written.
    """
    begun = target.with_name(f".{target.stem}.{os.getpid()}.gpkg")
    try:
        _copy(source, begun, portion(progress, 0.0, 0.2))
        if xy is not None:
            _spatial_index(begun, table, "Disable")
        with closing(sqlite3.connect(begun, isolation_level=None)) as database:
            _fill(database, table, columns, xy, portion(progress, 0.2, 0.9))
        if xy is not None:
            _spatial_index(begun, table, "Create")
        _rename(begun, target.stem)
        advance(progress, 1.0)
        for left in (target.with_name(target.name + end) for end in ("-wal", "-shm")):
            left.unlink(missing_ok=True)
        os.replace(begun, target)
    except (OSError, sqlite3.Error, RuntimeError) as wrong:
        raise ValueError(f"'{target}' could not be written ({wrong}).") from wrong
    finally:
        for end in ("", "-wal", "-shm", "-journal"):
            begun.with_name(begun.name + end).unlink(missing_ok=True)


def _opened(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)


def _copy(source: Path, target: Path, progress: Progress) -> None:
    """Copy a database as it stands, what other programs have not yet put in its file included."""

    def shown(status: int, remaining: int, total: int) -> None:
        advance(progress, 1.0 - remaining / max(total, 1))

    with closing(_opened(source)) as before, closing(sqlite3.connect(target)) as after:
        before.backup(after, pages=PAGES, progress=shown)
        # A file of its own, whatever the input was left in.
        after.execute("PRAGMA journal_mode = DELETE")


def _fill(
    database: sqlite3.Connection,
    table: str,
    columns: Mapping[str, np.ndarray],
    xy: np.ndarray | None,
    progress: Progress,
) -> None:
    """Write the columns, in one transaction."""
    # The host's triggers name these; they fire for a changed geometry under an index only.
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        database.create_function(name, 1, _never)
    # The file is a draft that is thrown away when anything goes wrong.
    database.execute("PRAGMA synchronous = OFF")
    database.execute("PRAGMA journal_mode = OFF")
    database.execute("BEGIN")
    layout = _columns(database, table)
    there = {row[1] for row in layout}
    key = _name(next(row[1] for row in layout if row[5]))
    geometry = _name(_geometry_column(database, table))
    for name, column in columns.items():
        if name not in there:
            kind = "REAL" if column.dtype.kind == "f" else "INTEGER"
            database.execute(f"ALTER TABLE {_name(table)} ADD COLUMN {_name(name)} {kind}")
    found = database.execute(f"SELECT {key} FROM {_name(table)} ORDER BY {key}").fetchall()
    ids = [row[0] for row in found]
    n = len(ids)
    if any(len(column) != n for column in columns.values()):
        raise ValueError("The input layer changed while it was being worked on. Run again.")
    names = [f"{_name(name)} = ?" for name in columns]
    if xy is not None:
        names.append(f"{geometry} = ?")
    update = f"UPDATE {_name(table)} SET {', '.join(names)} WHERE {key} = ?"
    some = f"SELECT {geometry} FROM {_name(table)} WHERE {key} BETWEEN ? AND ? ORDER BY {key}"
    for start in range(0, n, BATCH):
        advance(progress, start / n)
        rows = slice(start, min(start + BATCH, n))
        # SQLite takes NaN for NULL.
        cells = [column[rows].tolist() for column in columns.values()]
        if xy is not None:
            old = database.execute(some, (ids[rows][0], ids[rows][-1])).fetchall()
            cells.append(_moved([row[0] for row in old], xy[rows]))
        database.executemany(update, zip(*cells, ids[rows]))
    if xy is not None:
        known = xy[np.isfinite(xy).all(axis=1)]
        if len(known):
            low, high = known.min(axis=0).tolist(), known.max(axis=0).tolist()
            database.execute(
                "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
                "WHERE table_name = ?",
                (*low, *high, table),
            )
    database.execute("COMMIT")


def _moved(blobs: Sequence[bytes | None], xy: np.ndarray) -> list[bytes | None]:
    """Geometries with other coordinates; those without a position stay as they are."""
    coordinates = np.ascontiguousarray(xy, dtype="<f8")
    known = np.isfinite(coordinates).all(axis=1).tolist()
    start = _HEADER + 5
    return [
        blob[:start] + place.tobytes() + blob[start + 16 :] if blob and placed else blob
        for blob, place, placed in zip(blobs, coordinates, known)
    ]


def _plain_points(database: sqlite3.Connection, table: str) -> bool:
    """Whether every geometry is a little-endian point without an envelope, or none."""
    geometry = _name(_geometry_column(database, table))
    kinds = database.execute(
        f"SELECT DISTINCT substr({geometry}, 1, 4), substr({geometry}, 9, 1) "
        f"FROM {_name(table)} WHERE {geometry} IS NOT NULL"
    ).fetchall()
    # Of the flags, bit 0 is the byte order, bits 1 to 3 the envelope; an empty point stays one.
    return all(head[3] & 0b1111 == 1 and order == b"\x01" for head, order in kinds)


def _columns(database: sqlite3.Connection, table: str) -> list[tuple]:
    return database.execute(f"PRAGMA table_info({_name(table)})").fetchall()


def _geometry_column(database: sqlite3.Connection, table: str) -> str:
    query = "SELECT column_name FROM gpkg_geometry_columns WHERE table_name = ?"
    return database.execute(query, (table,)).fetchone()[0]


def _rename(path: Path, name: str) -> None:
    """Call the one layer of a file by a name, where GDAL can."""
    dataset = gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE)
    layer = dataset.GetLayer(0)
    if layer.GetName() != name and layer.TestCapability(getattr(ogr, "OLCRename", "Rename")):
        layer.Rename(name)


def _spatial_index(path: Path, table: str, what: str) -> None:
    """Let GDAL drop ("Disable") or make ("Create") the spatial index of a table."""
    with closing(_opened(path)) as database:
        geometry = _geometry_column(database, table)
    dataset = gdal.OpenEx(str(path), gdal.OF_VECTOR | gdal.OF_UPDATE)
    result = dataset.ExecuteSQL(f"SELECT {what}SpatialIndex({_text(table)}, {_text(geometry)})")
    if result is not None:
        dataset.ReleaseResultSet(result)


def _never(geometry):
    raise sqlite3.DataError("a geometry changed under its index")


def _name(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _text(word: str) -> str:
    return "'" + word.replace("'", "''") + "'"
