"""Pictures: Matplotlib figures of what a step found, as PNG, SVG or a page that holds them."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from pathlib import Path

from matplotlib import rc_context
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

INK = "#2f3b3a"
MARK = "#a03c14"
LINE = "#155a7c"

# The same run gives the same bytes.
_UNDATED = {".svg": {"Date": None}, ".pdf": {"CreationDate": None}}

_PAGE = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>{title}</title>
<style>
body {{ font-family: sans-serif; color: #2f3b3a; max-width: 60rem; margin: 2rem auto;
       padding: 0 1rem; }}
img {{ max-width: 100%; height: auto; }}
h1 {{ font-size: 1.4rem; border-bottom: 2px solid #6d7a5c; padding-bottom: .3rem; }}
</style></head><body>
<h1>{title}</h1>
{paragraphs}
<p><img alt="{title}" src="data:image/png;base64,{picture}"></p>
</body></html>
"""


def new_figure(width: float, height: float) -> Figure:
    """Make a figure of our look, sizes in inches, drawn without a screen."""
    figure = Figure(figsize=(width, height), layout=None, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def dress(axes) -> None:
    """Give axes our look."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#d9d6c8", linewidth=0.6)
    axes.tick_params(colors=INK, labelsize=8)
    axes.set_axisbelow(True)


def save(figure: Figure, path: Path, title: str, sentences: Sequence[str] = ()) -> None:
    """Write a figure as a page (.html, the picture inside it) or as a picture (.png, .svg, .pdf).

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    try:
        if path.suffix.lower() not in (".html", ".htm"):
            with rc_context({"svg.hashsalt": "lynchet"}):
                figure.savefig(path, dpi=144, metadata=_UNDATED.get(path.suffix.lower()))
            return
        held = io.BytesIO()
        figure.savefig(held, dpi=144, format="png")
        page = _PAGE.format(
            title=html.escape(title),
            paragraphs="\n".join(f"<p>{html.escape(sentence)}</p>" for sentence in sentences),
            picture=base64.b64encode(held.getvalue()).decode("ascii"),
        )
        path.write_text(page, encoding="utf-8")
    except (OSError, ValueError) as wrong:
        raise ValueError(f"The picture cannot be written to '{path}' ({wrong}).") from wrong
