"""How long work reports its progress and is cancelled."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[float], bool]
"""Called with the fraction done (0 to 1); returns False when the work should stop."""


class Cancelled(Exception):
    """The user asked for the work to stop; nothing has been returned or written."""


def keep_going(fraction: float) -> bool:
    """Report to nobody and never stop: the default `Progress`."""
    return True


def advance(progress: Progress, fraction: float) -> None:
    """Report a fraction done.

    Raises
    ------
    Cancelled
        If the user asked to stop.
    """
    if not progress(fraction):
        raise Cancelled


def portion(progress: Progress, start: float, end: float) -> Progress:
    """The part of a longer job from `start` to `end`, as a `Progress` of its own.

    Examples
    --------
    >>> seen = []
    >>> whole = lambda fraction: seen.append(fraction) or True
    >>> portion(whole, 0.5, 1.0)(0.5)
    True
    >>> seen
    [0.75]
    """
    return lambda fraction: progress(start + (end - start) * fraction)
