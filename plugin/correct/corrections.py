"""Every correction: what a sequence may run."""

from __future__ import annotations

from ..ground.emiunits import EmiUnits
from .alignpasses import AlignPasses
from .balancegrids import BalanceGrids
from .despike import Despike
from .driftbase import DriftBase
from .drifttie import DriftTie
from .flagreadings import FlagReadings
from .levellines import LevelLines
from .removetrend import RemoveTrend
from .temperature import Temperature

CORRECTIONS = (
    FlagReadings,
    Despike,
    DriftBase,
    DriftTie,
    AlignPasses,
    LevelLines,
    BalanceGrids,
    RemoveTrend,
    Temperature,
    EmiUnits,
)
