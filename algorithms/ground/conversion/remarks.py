"""What a conversion of channels has to tell: counts, figures, and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ...readings import BoolArray, FloatArray
from ...words import in_unit, plural, share_text
from ..instrument import Channel
from .apparent import most_conductivity
from .forms import LIFTED, WORDS, Lifted, shown
from .zero_level import FEW, Found

TOLERANCE = 0.05
"""Error of the rule for low induction numbers, or of the height left out, that is spoken of."""

BY_CENTIMETRE = 0.1
"""Change by a centimetre of height that is spoken of."""


@dataclass(frozen=True, eq=False)
class Done:
    """One channel, converted.

    Parameters
    ----------
    forms
        What it was in, and what it is in now.
    inside, ratio, outside
        Values as they were, the part of Hs/Hp they stand for, and as they are now, ``(n,)`` each.
    usable
        Which readings may inform figures, ``(n,)``.
    ground
        Exact conductivity, mS/m, ``(n,)``; None where it was not worked out.
    """

    channel: Channel
    coils: Lifted
    forms: tuple[str, str]
    inside: FloatArray
    ratio: FloatArray
    outside: FloatArray
    usable: BoolArray
    ground: FloatArray | None = None

    @property
    def name(self) -> str:
        """Of the channel."""
        return self.channel.field


@dataclass(frozen=True, eq=False)
class Remarks:
    """Sentences and figures as they come up."""

    messages: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    figures: dict[str, float | int | str] = field(default_factory=dict)

    @classmethod
    def beginning(cls, left: Sequence[str]) -> Remarks:
        """Say first which channels are left alone."""
        made = cls()
        if left:
            made.messages.append(
                f"Left as they are, being no channels of the instrument: {', '.join(left)}."
            )
        return made

    def figure(self, name: str, what: str, value: float) -> None:
        """Keep a figure of a channel, to six digits."""
        self.figures[f"{name} {what}"] = float(f"{value:.6g}")

    def offset(self, name: str, form: str, offset: float) -> None:
        """Tell of an offset that was given."""
        self.figure(name, "offset", offset)
        self.messages.append(f"{name}: {shown(offset, form)} taken off everywhere.")

    def at_point(self, name: str, form: str, found: Found) -> None:
        """Tell of an offset that was found at the known point."""
        self.figure(name, "offset", found.offset)
        self.figures[f"{name} readings at the point"] = len(found.rows)
        self.figure(name, "spread at the point", found.spread)
        self.messages.append(found.message(name, form))
        if len(found.rows) < FEW:
            self.warnings.append(
                f"{name}: only {plural(len(found.rows), 'reading')} at the known point: the zero "
                "level hangs on little. Stand there longer, or give a wider radius."
            )

    def add(self, done: Done, levelled: bool) -> None:
        """Tell of a channel that is done; `levelled` where its zero level was set."""
        self._converted(done)
        self._lost(done)
        if done.channel.part == "quadrature":
            self._below_zero(done)
            self._approximation(done)
            self._height(done)
        else:
            self._in_phase(done, levelled)

    def _converted(self, done: Done) -> None:
        start, end = done.forms
        kept = done.usable & np.isfinite(done.outside)
        if start == end or not kept.any():
            return
        medians = [float(np.median(part[kept])) for part in (done.inside, done.outside)]
        self.figure(done.name, "median before", medians[0])
        self.figure(done.name, "median after", medians[1])
        self.messages.append(
            f"{done.name}: from {WORDS[start]} to {WORDS[end]}; the median goes from "
            f"{shown(medians[0], start)} to {shown(medians[1], end)}."
        )

    def _lost(self, done: Done) -> None:
        """Readings that became NULL, and why."""
        gone = np.isfinite(done.inside) & ~np.isfinite(done.outside)
        homeless = gone & ~np.isfinite(done.coils.height)
        beyond = int(np.count_nonzero(gone & ~homeless))
        if homeless.any():
            count = int(np.count_nonzero(homeless))
            self.figures[f"{done.name} without a height"] = count
            self.warnings.append(
                f"{done.name}: {plural(count, 'reading')} without a height "
                f"{'is' if count == 1 else 'are'} NULL now."
            )
        if not beyond:
            return
        self.figures[f"{done.name} without a ground"] = beyond
        lifted = float(np.median(done.coils.height[gone & ~homeless]))
        if done.channel.part == "quadrature":
            most = in_unit(most_conductivity(done.channel.pair, lifted), "mS/m")
            why = (
                f"no uniform ground gives them, for the quadrature part rises no further beyond "
                f"{most}. Look for metal, a wrong unit or a wrong zero level"
            )
        else:
            why = (
                "no uniform ground gives them, or the coils at their height read nothing of it. "
                "Look for metal, a wrong unit or a wrong zero level"
            )
        self.warnings.append(
            f"{done.name}: {plural(beyond, 'reading')} {'is' if beyond == 1 else 'are'} NULL now: "
            f"{why}."
        )

    def _below_zero(self, done: Done) -> None:
        low = np.isfinite(done.outside) & (done.outside < 0)
        count = int(np.count_nonzero(low))
        self.figures[f"{done.name} below 0"] = count
        if count and done.forms[0] != done.forms[1]:
            what = " They are minus what as much above 0 is." if "exact" in done.forms else ""
            self.warnings.append(
                f"{done.name}: {plural(count, 'reading')} "
                f"({share_text(count, int(np.isfinite(done.outside).sum()))}) below 0, which no "
                f"uniform ground gives: metal, noise or a wrong zero level.{what}"
            )

    def _approximation(self, done: Done) -> None:
        """How far the rule for low induction numbers is off, by the exact conductivity."""
        if done.ground is None:
            return
        rule = done.coils.of_ratio(done.ratio, "low_induction_lifted")
        known = done.usable & np.isfinite(done.ground) & (done.ground != 0) & np.isfinite(rule)
        if not known.any():
            return
        error = rule[known] / done.ground[known] - 1
        off = int(np.count_nonzero(np.abs(error) > TOLERANCE))
        worst = float(error[np.abs(error).argmax()])
        self.figure(done.name, "share off by low induction numbers", off / len(error))
        self.figure(done.name, "largest error by low induction numbers", worst)
        told = f"{done.name}: the rule for low induction numbers is off by "
        if off:
            told += f"more than 5 % in {share_text(off, len(error))} of the readings, by "
        told += f"{100 * worst:+.2g} % at most."
        if off and done.forms[1].startswith("low_induction"):
            self.warnings.append(told + " Choose 'exact'.")
        else:
            self.messages.append(told)

    def _height(self, done: Done) -> None:
        """What the height takes off, where it is not counted."""
        known = done.usable & np.isfinite(done.coils.height)
        if not known.any():
            return
        share = float(np.median(done.coils.share[known]))
        self.figure(done.name, "share left by the height", share)
        if 1 - share <= TOLERANCE or done.forms[0] == done.forms[1]:
            return
        lifted = float(np.median(done.coils.height[known]))
        told = (
            f"{done.name}: the coils {lifted:g} m up read {100 * share:.3g} % of the conductivity "
            "of uniform ground"
        )
        if done.forms[1] in LIFTED:
            self.messages.append(f"{told}; the values now are those of the ground.")
        elif done.forms[1] == "low_induction":
            self.warnings.append(
                f"{told}, and this is left so. Choose 'low_induction_lifted' or 'exact' to refer "
                "readings to the ground."
            )

    def _in_phase(self, done: Done, levelled: bool) -> None:
        if "susceptibility" not in done.forms or done.forms[0] == done.forms[1]:
            return
        if not levelled:
            self.warnings.append(
                f"{done.name}: the zero level of an in-phase channel is arbitrary, so only "
                "differences of its susceptibility mean something. Give an offset, or what it "
                "should be at a known point."
            )
        known = done.usable & np.isfinite(done.coils.height)
        if not known.any():
            return
        change = float(np.median(done.coils.in_phase_by_centimetre[known]))
        self.figure(done.name, "change by a centimetre of height", change)
        if change > BY_CENTIMETRE:
            self.warnings.append(
                f"{done.name}: a centimetre of height changes the susceptibility by "
                f"{100 * change:.2g} %. Trust it no further than the height is known."
            )
