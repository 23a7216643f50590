"""What to tell the user of a gridding: what was found, and what the choice of sizes does."""

from __future__ import annotations

from .spacing import Spacing

FINEST_ACROSS = 0.25
"""Cells finer than this share of the traverse separation draw detail that nobody measured."""

WIDEST = 1.25
"""Cells wider than this many spacings of the readings lose what was measured."""


def remarks(
    found: Spacing | None, figures: dict[str, float | int | str], bands: int
) -> tuple[list[str], list[str]]:
    """What the user should read and must not miss; the measured spacing joins the figures."""
    cell_size, blanking = float(figures["cell_size"]), float(figures["blanking_distance"])
    messages, warnings = [], []
    if found:
        figures["traverse_separation"] = found.separation
        figures["reading_interval"] = found.interval
        messages.append(found.explanation)
        widest = max(found.separation, found.interval)
        if cell_size < 0.5 * found.interval:
            warnings.append(
                f"Cells of {cell_size:g} are finer than the readings, {found.interval:.3g} apart "
                "along the traverses: the raster will show detail that was not measured."
            )
        elif cell_size < FINEST_ACROSS * found.separation:
            warnings.append(
                f"Cells of {cell_size:g} are finer than a quarter of the traverse separation "
                f"({found.separation:.3g}): between the traverses they show how the gap was "
                "filled, not what was measured."
            )
        elif cell_size > WIDEST * widest:
            warnings.append(
                f"Cells of {cell_size:g} are wider than the spacing of the readings "
                f"({widest:.3g}): detail that was measured will be lost."
            )
        if blanking < 0.5 * widest:
            warnings.append(
                f"The blanking distance of {blanking:g} is less than half the spacing of the "
                f"readings ({widest:.3g}): empty stripes will show between them."
            )
    messages.append(
        f"Gridded {figures['readings_used']:,} readings into {bands} band(s) of "
        f"{figures['rows']:,} rows and {figures['columns']:,} columns, cells of {cell_size:g}; "
        f"{figures['cells_filled']:,} cells hold data, none of them further than {blanking:g} "
        "from a reading."
    )
    if not figures["cells_filled"]:
        warnings.append(
            "No cell holds data: the raster is empty. Choose smaller cells, or longer distances "
            "for blanking, searching and edges."
        )
    if "block" in figures:
        messages.append(
            f"Thinned to {figures['readings_after_thinning']:,} readings: those on "
            f"{figures['block']:g} map units of one traverse count as one, by their median."
        )
    if figures["repeated_positions"]:
        messages.append(
            f"{figures['repeated_positions']:,} reading(s) repeat the position of another: each "
            "such place counts once, with the median of its readings."
        )
    return messages, warnings
