"""The step "Level traverses by their medians"."""

from __future__ import annotations

from ...algorithms.correct.levellines import METHODS, STATISTICS, LevelOptions, levellines
from ..parameters import Choice, Number, Toggle
from ..readings_step import CorrectionStep

DEFAULTS = LevelOptions()


class LevelLines(CorrectionStep):
    """Readings to readings without offsets between traverses."""

    identifier = "levellines"
    title = "Level traverses by their medians"
    summary = (
        "Takes off what sets one traverse apart from the others of its data grid, such as the "
        "stripes that differences in carrying height or direction of travel leave."
    )
    advice = (
        "'whole_grid', 'same_direction' and 'neighbours' compare one statistic per traverse: "
        "they weaken every feature that runs parallel to the traverses, and take away the "
        "change of the ground across them. Use them where there is neither. With 'same_direction', "
        "what sets the two directions apart stays.",
        "'differential' compares each traverse with its neighbours place by place, after the "
        "moving-differential-median principle: what both have in common cancels. It keeps a "
        "feature parallel to the traverses while that fills less than half of the traverse (or of "
        "the window), and leaves slow change across the traverses to the ground. An offset that "
        "changes as slowly from traverse to traverse as the ground does cannot be told from it "
        "and stays.",
        "'direction' only takes off what sets the two directions of walking apart: one number for "
        "each data grid and channel, half of it from each direction; nothing where it is less than "
        "twice its standard error. The gentlest choice where only every other traverse stands "
        "off.",
        "With 'differential', 'Steps inside traverses' first takes off jumps of the zero on the "
        "way, as when the operator paused. They must be sharp, last, and be this traverse's alone "
        "against both of its neighbours. Align opposing passes first; read the list of steps found "
        "and look at each in the profiles. A sharp-ended body under one traverse only would look "
        "the same.",
        "Remove spikes first. Data grids are levelled one by one; what sets data grids apart from "
        "each other stays.",
    )
    words = ("levelling", "destripe", "striping", "heading error", "offset")
    options = (
        Choice(
            "METHOD",
            "Compare with",
            "See above; 'differential' unless you know that nothing runs along the traverses.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Choice(
            "STATISTIC",
            "Statistic",
            "What stands for a traverse: its 'median', the mean of its middle half "
            "('trimmed_mean') or its commonest value ('mode'). Not used by 'differential' and "
            "'direction'.",
            default=DEFAULTS.statistic,
            options=STATISTICS,
        ),
        Number(
            "NEIGHBOURS",
            "Neighbours on either side",
            "For 'differential', 'neighbours' and 'direction'. Halves or repeats of a traverse at "
            "one place count as one.",
            default=DEFAULTS.neighbours,
            minimum=1,
            whole=True,
        ),
        Number(
            "WINDOW",
            "Window along the traverse",
            "For 'differential': length that shares one offset. 0: the whole traverse. Shorter "
            "windows follow offsets that change along the traverse, and harm long features.",
            default=DEFAULTS.window,
            minimum=0,
            distance_of="INPUT",
            advanced=True,
        ),
        Toggle(
            "STEPS",
            "Steps inside traverses",
            "For 'differential': first find and take off sharp steps inside traverses, and list "
            "them by distance from where the traverse begins.",
            default=DEFAULTS.steps,
        ),
        Toggle(
            "JOIN",
            "Use where traverses go on",
            "For 'differential': where traverses of two data grids lie end to end, the step from "
            "the one to the other tells what either is still off.",
            default=DEFAULTS.join,
            advanced=True,
        ),
        Number(
            "WAVELENGTH",
            "Keep change across broader than",
            "For 'differential': change across the traverses that belongs to the ground. Empty: "
            "the length that the readings themselves make likeliest.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        Number(
            "LOWEST",
            "Lowest value that counts",
            "Lower values do not inform the statistics, but are shifted all the same.",
            optional=True,
            unit="channel units",
            advanced=True,
        ),
        Number(
            "HIGHEST",
            "Highest value that counts",
            "Higher values do not inform the statistics, but are shifted all the same.",
            optional=True,
            unit="channel units",
            advanced=True,
        ),
        Number(
            "FEWEST",
            "Fewest readings",
            "A traverse with fewer readings that count is left as it is; with 'direction' it is "
            "shifted, but does not inform.",
            default=DEFAULTS.fewest,
            minimum=1,
            whole=True,
            advanced=True,
        ),
    )

    def correct(self, readings, task):
        return levellines(readings, task.options(LevelOptions), task.part(0.2, 0.8))
