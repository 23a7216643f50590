"""The picture of "Convert EMI channels": the rule for low induction numbers beside the exact."""

from __future__ import annotations

from pathlib import Path

import numpy as np

SPACINGS = (0.5, 1.0, 2.0, 4.0)
SHADES = ("#155a7c", "#6d7a5c", "#b8860b", "#a03c14")
MOST = 20_000.0


def draw(demo: Path, out: Path) -> None:
    """Draw what the rule shows over uniform ground, and how far it is off."""
    from lynchet.algorithms.ground.conversion.apparent import exact_ratio, most_conductivity
    from lynchet.algorithms.ground.conversion.forms import Lifted
    from lynchet.algorithms.ground.instrument import CoilPair
    from lynchet.plugin.deliver.figures import INK, dress, new_figure

    figure = new_figure(9.0, 4.4)
    left, right = figure.subplots(1, 2)
    for spacing, shade in zip(SPACINGS, SHADES):
        for orientation, style in (("vertical", "-"), ("horizontal", "--")):
            pair = CoilPair(spacing, orientation, 10_000.0, 0.05)
            ground = np.geomspace(1.0, min(most_conductivity(pair) * 0.9999, MOST), 400)
            coils = Lifted(pair, np.full(len(ground), pair.height))
            rule = coils.of_ratio(exact_ratio(pair, ground).imag, "low_induction_lifted")
            label = f"{spacing:g} m, {orientation}"
            left.loglog(ground, rule, style, color=shade, linewidth=1.4, label=label)
            right.semilogx(ground, 100 * (rule / ground - 1), style, color=shade, linewidth=1.4)
    left.plot([1, MOST], [1, MOST], ":", color=INK, linewidth=1.0)
    right.axhspan(-5, 5, color="#d9d6c8", alpha=0.7, linewidth=0)
    right.text(1.1, 2.0, "within 5 %", fontsize=8, color=INK)
    right.set_ylim(-60, 8)
    for axes in (left, right):
        dress(axes)
        axes.set_xlim(1, MOST)
        axes.set_xlabel("exact: conductivity of uniform ground [mS/m]", fontsize=9, color=INK)
    left.set_ylim(1, MOST)
    left.set_ylabel("by the rule [mS/m]", fontsize=9, color=INK)
    right.set_ylabel("error of the rule [%]", fontsize=9, color=INK)
    left.legend(fontsize=7, frameon=False, loc="upper left", title="10 kHz, coils 0.05 m up",
                title_fontsize=8)  # fmt: skip
    left.set_title("Curves end at their maximum", loc="left", fontsize=11, color=INK)
    right.set_title("Wider coils, larger error", loc="left", fontsize=11, color=INK)
    figure.tight_layout()
    figure.savefig(out / "emiunits.png", dpi=100, metadata={"Software": None})
