"""Which field of ASEG-GDF2 line data is what: by the name given, or by the names in common use."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from ..text.columns import split_title
from .definition import Definition, Place

NONE = "-"
"""Given for a role, it means that no field has it, whatever the fields are called."""

COMMON_NAMES = {
    "grid": ("grid", "datagrid", "block"),
    "line": ("line", "linenumber", "lineno", "linenum", "lineid", "traverse", "flightline"),
    "sequence": ("seq", "sequence", "fiducial", "fid", "fidno", "reading", "station"),
    "along": ("along",),
    "bearing": ("bearing",),
    "x": ("easting", "eastings", "east", "e", "x", "xcoord", "longitude", "lon", "long"),
    "y": ("northing", "northings", "north", "n", "y", "ycoord", "latitude", "lat", "lat"),
    "time": ("time", "utctime", "gpstime", "seconds"),
    "quality": ("qc", "quality"),
}
"""Names by which fields are known, the likelier first: small letters and digits alone."""

TEXT_ROLES = ("grid", "line", "time")
"""Roles that a field of text may have."""

_DEGREES = ("longitude", "lon", "long", "latitude", "lat")
_RESERVED = ("grid", "line", "seq", "along", "bearing", "time", "qc", "fid", "ogc_fid", "geom")


@dataclass(frozen=True)
class LineRoles:
    """Which field is what: its name, ``""`` to find it by its `COMMON_NAMES`, ``"-"`` for none.

    Parameters
    ----------
    channels
        Channels, with units where the definition's are not to be taken, separated by commas:
        ``"EC_050 [mS/m], IP_050"``. Empty: every field of real numbers (F, E, D) without another
        role and name of its own.
    likely
        Names of channels where none are asked for: those of them that are there.
    grid, line, sequence, along, bearing, x, y, time, quality
        The other fields.
    bad_values
        ``"refuse"`` the first value that cannot be read, or take such values as ``"null"``.
    """

    channels: str = ""
    likely: tuple[str, ...] = ()
    grid: str = ""
    line: str = ""
    sequence: str = ""
    along: str = ""
    bearing: str = ""
    x: str = ""
    y: str = ""
    time: str = ""
    quality: str = ""
    bad_values: str = "refuse"


@dataclass(frozen=True)
class Chosen:
    """The fields by role, the channels and the further ones, as the first file has them."""

    roles: dict[str, Place]
    channels: list[tuple[Place, str, str]]
    kept: list[tuple[Place, str]]
    geographic: bool


def plain_name(name: str) -> str:
    """A name in small letters and digits alone."""
    return re.sub(r"[\W_]", "", name.casefold())


def choose(definition: Definition, roles: LineRoles) -> Chosen:
    """Find the fields by role, the channels, and what is left to be kept.

    Raises
    ------
    ValueError
        If a field named is not there or cannot serve, or none is left for a channel.
    """
    asked = [split_title(item) for item in roles.channels.split(",") if item.strip()]
    channels = [(_named(name, definition), unit) for name, unit in asked]
    found = {
        role: _named(getattr(roles, role), definition)
        for role in COMMON_NAMES
        if getattr(roles, role) not in ("", NONE)
    }
    _refuse_text(found, definition)
    taken = {place.name for place, _ in channels} | {place.name for place in found.values()}
    known: set[str] = set()
    for role, likely in _likely(definition).items():
        known |= {place.name for place in likely}
        free = [place for place in likely if place.name not in taken]
        if free and not getattr(roles, role):
            found[role] = free[0]
            taken.add(free[0].name)
    used = {place.name for place in found.values()}
    if not asked:
        free = [p for p in definition.places if p.name not in used and not p.field.is_text]
        channels = [(place, "") for place in free if _called(place) in roles.likely] or [
            (place, "") for place in free if place.field.letter != "I" and place.name not in known
        ]
    _check_channels([place for place, _ in channels], used, definition)
    own = Names()
    named = [
        (place, own.free(_called(place)), unit or place.field.unit) for place, unit in channels
    ]
    used |= {place.name for place, _ in channels}
    kept = [(p, own.free(_called(p))) for p in definition.places if p.name not in used]
    return Chosen(found, named, kept, _is_geographic(found))


def _likely(definition: Definition) -> dict[str, list[Place]]:
    """The fields that may have each role by their names, the likelier first."""
    by_name: dict[str, Place] = {}
    for place in definition.places:
        by_name.setdefault(plain_name(place.name), place)
    found = {
        role: [
            by_name[name]
            for name in names
            if name in by_name and (role in TEXT_ROLES or not by_name[name].field.is_text)
        ]
        for role, names in COMMON_NAMES.items()
    }
    # Coordinates come in pairs: an easting goes with no latitude.
    pairs = [
        (by_name[x], by_name[y])
        for x, y in zip(COMMON_NAMES["x"], COMMON_NAMES["y"])
        if by_name.get(x) in found["x"] and by_name.get(y) in found["y"]
    ]
    for k, axis in enumerate(("x", "y")):
        found[axis] = [pair[k] for pair in pairs] or found[axis]
    return found


def _refuse_text(found: Mapping[str, Place], definition: Definition) -> None:
    for role, place in found.items():
        if place.field.is_text and role not in TEXT_ROLES:
            raise ValueError(
                f"Field '{place.name}' of {definition.name} holds text ({place.field.format}) "
                f"where the role '{role}' needs numbers. Name another field, or '{NONE}' for none."
            )


def _check_channels(channels: list[Place], used: set[str], definition: Definition) -> None:
    if not channels:
        raise ValueError(f"No field of {definition.name} is left for a channel. Name the channels.")
    for place in channels:
        if place.field.is_text or place.name in used:
            raise ValueError(
                f"Field '{place.name}' of {definition.name} cannot be a channel: it holds text, or "
                "has another role. Name the channels anew."
            )
    if len({place.name for place in channels}) < len(channels):
        raise ValueError("A channel is named twice. Name each channel once.")


def _named(name: str, definition: Definition) -> Place:
    for place in definition.places:
        if name.casefold() in (place.name.casefold(), _called(place).casefold()):
            return place
    has = ", ".join(place.name for place in definition.places)
    raise ValueError(f"{definition.name} defines no field '{name}'. It has: {has}.")


def _called(place: Place) -> str:
    """A field's name, in full where its NAME is the same with signs the format does not allow."""
    title = place.field.title
    same = place.field.repeat == 1 and re.sub(r"\W", "_", title, flags=re.ASCII) == place.name
    return title if same else place.name


class Names:
    """Names for fields of a layer, none twice, whatever the case."""

    def __init__(self, taken: Iterable[str] = ()) -> None:
        self.taken = {*_RESERVED, *(name.casefold() for name in taken)}

    def free(self, name: str) -> str:
        """The name, or the first like it that is free."""
        made, number = name, 1
        while made.casefold() in self.taken:
            number += 1
            made = f"{name}_{number}"
        self.taken.add(made.casefold())
        return made


def _is_geographic(found: Mapping[str, Place]) -> bool:
    place = found.get("x")
    if place is None:
        return False
    return plain_name(place.name) in _DEGREES or place.field.unit.casefold().startswith("deg")


def same_fields(definition: Definition, first: Definition) -> dict[str, Place]:
    """The columns of a definition by name in small letters, if they are those of the first.

    Raises
    ------
    ValueError
        If one has a field that the other lacks, or of another kind.
    """
    places = {place.name.casefold(): place for place in definition.places}
    wanted = {place.name.casefold(): place for place in first.places}
    for here, there, one, other in (
        (places, wanted, definition, first), (wanted, places, first, definition),
    ):  # fmt: skip
        more = [place.name for name, place in here.items() if name not in there]
        if more:
            raise ValueError(
                f"{one.name} defines a field '{more[0]}' that {other.name} does not have. Bring in "
                "files of different fields one by one."
            )
    for name, place in places.items():
        if place.field.is_text != wanted[name].field.is_text:
            raise ValueError(
                f"Field '{place.name}' is text in one of {definition.name} and {first.name} and a "
                "number in the other. Bring in the files one by one."
            )
    return places
