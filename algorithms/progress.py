"""How long work reports its progress and is cancelled."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from threading import Event
from typing import TypeVar

Result = TypeVar("Result")

Progress = Callable[[float], bool]
"""Called with the fraction done (0 to 1); returns False when the work should stop."""


POLLED = 0.1
"""Seconds between looks at jobs that run side by side."""


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


def side_by_side(
    jobs: Sequence[Callable[[Progress], Result]], progress: Progress = keep_going
) -> list[Result]:
    """Run jobs at the same time, as many as the machine has cores; results in order.

    NumPy lets other threads go on while it works on a large array. Each job is given a progress of
    its own to report to; jobs must not share what they change.

    Raises
    ------
    Cancelled
        If the user asked to stop; the jobs under way stop when they next report.

    Examples
    --------
    >>> side_by_side([lambda part: 1, lambda part: 2])
    [1, 2]
    """
    done = [0.0] * len(jobs)
    stopped = Event()

    def part_of(number: int) -> Progress:
        def report(fraction: float) -> bool:
            done[number] = max(done[number], fraction)
            return not stopped.is_set()

        return report

    with ThreadPoolExecutor(max(1, min(len(jobs), os.cpu_count() or 1))) as pool:
        waiting = [pool.submit(job, part_of(number)) for number, job in enumerate(jobs)]
        try:
            left = set(waiting)
            while left:
                # Only this thread reports: the host's feedback belongs to it.
                finished, left = wait(left, timeout=POLLED, return_when=FIRST_COMPLETED)
                for number, future in enumerate(waiting):
                    done[number] = 1.0 if future.done() else done[number]
                advance(progress, sum(done) / len(jobs))
                for future in finished:
                    future.result()
        except BaseException:
            stopped.set()
            for future in waiting:
                future.cancel()
            raise
    return [future.result() for future in waiting]
