"""Ground that a user types: the parameters that the ground steps share."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ...algorithms.ground.instrument import HEIGHTS, Instrument, doubtful_heights
from ..parameters import Number, Numbers

CONDUCTIVITIES = Numbers(
    "CONDUCTIVITIES",
    "Conductivities of the ground",
    "One number for uniform ground, or one a layer from the top, separated by semicolons.",
    default="20",
    unit="mS/m",
    each="layer",
    minimum=0.0,
)
THICKNESSES = Numbers(
    "THICKNESSES",
    "Thicknesses of the layers",
    "Of all layers but the last, from the top, separated by semicolons. Empty for uniform ground.",
    default="",
    optional=True,
    unit="m",
    each="layer",
    minimum=0.0,
)
SUSCEPTIBILITIES = Numbers(
    "SUSCEPTIBILITIES",
    "Susceptibilities of the layers",
    "One a layer from the top, separated by semicolons, such as 0.0005 for 50 x 10^-5. Empty: "
    "none.",
    default="",
    optional=True,
    unit="SI",
    each="layer",
)


@dataclass(frozen=True)
class CoilHeight(Number):
    """A height for all coil pairs of the instrument."""

    def doubts(self, task):
        """See `Parameter.doubts`."""
        if task[self.name] is None:
            return ()
        return doubtful_heights(at_height(task["INSTRUMENT"], task[self.name]).pairs)


HEIGHT = CoilHeight(
    "HEIGHT",
    "Height of the coils above the ground",
    "In place of the heights of the description.",
    optional=True,
    minimum=HEIGHTS[0],
    maximum=HEIGHTS[1],
    unit="m",
)


def at_height(instrument: Instrument, height: float | None) -> Instrument:
    """The instrument with all coils at a height; None: as it is described."""
    if height is None:
        return instrument
    return replace(
        instrument, pairs=tuple(replace(pair, height=height) for pair in instrument.pairs)
    )
