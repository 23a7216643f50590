"""Ways to interpolate readings to cells: one module each, found by itself.

A method is a module of this package with a `METHOD`. Nothing else has to be told of it: the
engine and the host read its id, title, help and options from there.
"""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

from ..method import Method


@cache
def methods() -> dict[str, Method]:
    """Every method of this package by its id, in the order of the ids."""
    modules = (
        importlib.import_module(f"{__name__}.{found.name}")
        for found in pkgutil.iter_modules(__path__)
    )
    found = [module.METHOD for module in modules if hasattr(module, "METHOD")]
    return {method.id: method for method in sorted(found, key=lambda method: method.id)}


def method_named(name: str) -> Method:
    """The method of an id.

    Raises
    ------
    ValueError
        If there is none.
    """
    if name not in methods():
        raise ValueError(
            f"There is no gridding method '{name}'. Choose one of: {', '.join(methods())}."
        )
    return methods()[name]
