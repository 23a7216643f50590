"""What a conversion of channels has to tell: counts, figures, and cautions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from ...readings import BoolArray, FloatArray
from ...words import in_unit, plural, share_text
from ..instrument import CONDUCTIVITY, Channel, CoilPair
from .apparent import most_conductivity
from .forms import LIFTED, WORDS, Lifted, shown, unit_of
from .zero_level import FEW, Found

TOLERANCE = 0.05
"""Error of the rule for low induction numbers, or of the height left out, that is spoken of."""

BY_CENTIMETRE = 0.1
"""Change by a centimetre of height that is spoken of."""

FAR = 2.0
"""Height over spacing that nobody works at: centimetres taken for metres give more."""

MOST = {CONDUCTIVITY: 5000.0, "1e-5 SI": 5000.0}
"""What hardly any ground passes: sea water, and soil on basalt (common practice, no source)."""

MOST_IN_PHASE = 0.1
"""Field ratio in phase that hardly any ground or zero level passes."""

STEPWISE = ("low_induction", "low_induction_lifted", "exact")
"""Forms of conductivity, each of which counts one thing more than the one before."""

COUNTED = ("the height", "what the rule for low induction numbers misses")
"""That thing."""


@dataclass(frozen=True, eq=False)
class Done:
    """One channel, converted.

    Parameters
    ----------
    forms
        What it was in, and what it is in now.
    inside, levelled, ratio, outside
        Values as they were, less the offset, the part of Hs/Hp they stand for, and as they are
        now, ``(n,)`` each.
    usable
        Which readings may inform figures, ``(n,)``.
    ground
        Exact conductivity, mS/m, ``(n,)``; None where it was not worked out.
    asked
        Whether a form to convert to was chosen.
    """

    channel: Channel
    coils: Lifted
    forms: tuple[str, str]
    inside: FloatArray
    levelled: FloatArray
    ratio: FloatArray
    outside: FloatArray
    usable: BoolArray
    ground: FloatArray | None = None
    asked: bool = False

    @property
    def name(self) -> str:
        """Of the channel."""
        return self.channel.field

    @property
    def kept(self) -> BoolArray:
        """Which readings inform figures and have a value now, ``(n,)``."""
        kept: BoolArray = self.usable & np.isfinite(self.outside)
        return kept

    def check(self) -> None:
        """Refuse a channel of which no reading is left.

        Raises
        ------
        ValueError
            If there were readings, and all would be NULL.
        """
        had = np.isfinite(self.inside)
        if not had.any() or np.isfinite(self.outside).any():
            return
        heights = self.coils.height[had]
        lost = f"Channel '{self.name}' would lose every reading: "
        if not np.isfinite(heights).any():
            raise ValueError(f"{lost}none has a height. Choose another height field.")
        lifted = float(np.nanmedian(heights))
        share = lifted / self.channel.pair.spacing
        look = "Check its unit, its zero level and the height."
        if share > FAR:
            look = (
                f"Check the height first, {lifted:g} m or {share:.2g} times the coil spacing: is "
                "it in metres? Then the unit and the zero level."
            )
        raise ValueError(f"{lost}no uniform ground gives them. {look}")

    def parts(self) -> list[tuple[str, float]]:
        """What the median's change comes from, in the unit of a conductivity: these add up."""
        if not set(self.forms) <= set(STEPWISE):
            return []
        kept = self.kept
        found = []
        before = float(np.median(self.levelled[kept]))
        offset = before - float(np.median(self.inside[kept]))
        if offset:
            found.append(("the zero level", offset))
        first, last = (STEPWISE.index(form) for form in self.forms)
        step = 1 if last > first else -1
        for at in range(first + step, last + step, step):
            column = self.outside if at == last else self.coils.of_ratio(self.ratio, STEPWISE[at])
            after = float(np.median(column[kept]))
            found.append((COUNTED[min(at, at - step)], after - before))
            before = after
        return found


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

    def unspoken(self, channels: Sequence[Channel]) -> None:
        """Tell of channels that no history speaks of."""
        if channels:
            names, units = ([getattr(c, k) for c in channels] for k in ("field", "unit"))
            units = list(dict.fromkeys(units))
            self.messages.append(
                f"No history tells what {', '.join(names)} {'is' if len(names) == 1 else 'are'} "
                "in: taken as the instrument description says "
                f"({', '.join(units)})."
            )

    def high(self, pair: CoilPair, heights: FloatArray | None) -> None:
        """Tell of coils that are too high to be believed."""
        begin = f"The coils of the pair {pair.label}"
        sure = "are you sure that the height is in metres?"
        if heights is None:
            if pair.height > FAR * pair.spacing:
                times = (
                    f"{pair.height / pair.spacing:.2g} times their spacing of {pair.spacing:g} m"
                )
                self.warnings.append(f"{begin} are {pair.height:g} m up, {times}: {sure}")
            return
        count = int(np.count_nonzero(heights > FAR * pair.spacing))
        if count:
            share = share_text(count, int(np.isfinite(heights).sum()))
            self.warnings.append(
                f"{begin} are more than {FAR:g} times their spacing of {pair.spacing:g} m up in "
                f"{share} of the readings, at most {np.nanmax(heights):g} m: {sure}"
            )

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
        done.check()
        self._converted(done)
        self._lost(done)
        self._beyond_belief(done)
        if done.channel.part == "quadrature":
            self._below_zero(done)
            self._approximation(done)
            self._height(done)
        else:
            self._in_phase(done, levelled)

    def _converted(self, done: Done) -> None:
        start, end = done.forms
        kept = done.kept
        if start == end and done.asked:
            same = bool(np.array_equal(done.inside, done.outside, equal_nan=True))
            self.messages.append(
                f"{done.name}: already {WORDS[start]}; "
                f"{'left as it is' if same else 'not converted again'}."
            )
        if start == end or not kept.any():
            return
        medians = [float(np.median(part[kept])) for part in (done.inside, done.outside)]
        self.figure(done.name, "median before", medians[0])
        self.figure(done.name, "median after", medians[1])
        self.messages.append(
            f"{done.name}: from {WORDS[start]} to {WORDS[end]}; the median goes from "
            f"{shown(medians[0], start)} to {shown(medians[1], end)}"
            + "".join(
                f"{', ' if number else ': '}{change:+.3g} by {what}"
                for number, (what, change) in enumerate(done.parts())
            )
            + "."
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
        them = "it" if beyond == 1 else "them"
        lifted = float(np.median(done.coils.height[gone & ~homeless]))
        if done.channel.part == "quadrature":
            most = in_unit(most_conductivity(done.channel.pair, lifted), "mS/m")
            why = (
                f"no uniform ground gives {them}, for the quadrature part rises no further beyond "
                f"{most}. Look for metal, a wrong unit or a wrong zero level"
            )
        else:
            why = (
                f"no uniform ground gives {them}, or the coils at their height read nothing of it. "
                "Look for metal, a wrong unit or a wrong zero level"
            )
        self.warnings.append(
            f"{done.name}: {plural(beyond, 'reading')} {'is' if beyond == 1 else 'are'} NULL now: "
            f"{why}."
        )

    def _beyond_belief(self, done: Done) -> None:
        """A median that is hardly any ground's."""
        start, end = done.forms
        unit, kept = unit_of(end), done.kept & np.isfinite(done.ratio)
        if not kept.any():
            return
        ratio, value = (float(np.median(column[kept])) for column in (done.ratio, done.outside))
        if start != end and unit in MOST and abs(value) > MOST[unit]:
            what = f"{shown(value, end)} now, and ground hardly passes {shown(MOST[unit], end)}"
        elif done.channel.part == "in_phase" and abs(ratio) > MOST_IN_PHASE:
            what = f"{1e3 * ratio:.3g} ppt of the field, and ground hardly gives "
            what += f"{1e3 * MOST_IN_PHASE:g}"
        else:
            return
        self.warnings.append(
            f"{done.name}: the median is {what}: a wrong unit, a wrong zero level, or a channel "
            "that was converted before."
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
        start, end = done.forms
        worst = float(error[np.abs(error).argmax()])
        self.figure(done.name, "share off by low induction numbers", off / len(error))
        self.figure(done.name, "largest error by low induction numbers", worst)
        if start == end or ("exact" not in done.forms and end != "low_induction_lifted"):
            return
        told = f"{done.name}: the rule for low induction numbers, the height counted, is off by "
        if off:
            told += f"more than 5 % in {share_text(off, len(error))} of the readings, by "
        told += f"{100 * worst:+.2g} % at most."
        if off and end == "low_induction_lifted":
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
