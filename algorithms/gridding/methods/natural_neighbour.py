"""Natural neighbour: a mean of the readings around, weighted by the ground taken from each."""

from __future__ import annotations

from ...progress import Progress, keep_going
from ..mesh.delaunay import LONGEST_EDGE
from ..mesh.shares import surface_by_shares
from ..mesh.sibson import sibson_weights
from ..method import Method, Surface, Task


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Triangulate the positions (Delaunay) and weigh each cell's neighbours after Sibson.

    Each reading speaks for the ground nearer to it than to any other. A cell takes from each
    neighbour the share of ground it would take were it a reading too: a plane is reproduced, no
    value lies outside the range of the readings around, and the surface is smooth everywhere but
    at the readings themselves. Cells outside the outline of the readings have no value.

    Raises
    ------
    ValueError
        If the readings lie on a single line.

    References
    ----------
    R. Sibson (1981), *A brief description of natural neighbour interpolation*, in V. Barnett
    (ed.), Interpreting Multivariate Data, Wiley, 21-36.
    """
    return surface_by_shares(task, sibson_weights, progress)


METHOD = Method(
    id="natural_neighbour",
    title="Natural neighbour",
    help=(
        "Each reading speaks for the ground nearer to it than to any other; a cell takes from the "
        "readings around it the share of ground it would win from each. There is no radius to "
        "choose: the layout alone decides, so that dense traverses that lie far apart, gaps and "
        "changes of spacing are bridged smoothly, without the herringbone of triangles or the "
        "spots of inverse distance. It keeps slopes, stays within the range of the readings "
        "around, and adds nothing beyond their outline. It smooths nothing away: noise and steps "
        "between traverses stay. A peak between two traverses comes out no higher than the "
        "readings beside it. Readings behind a barrier do not count; a cell that sees none of its "
        "neighbours takes the nearest reading it sees within the blanking distance."
    ),
    options=(LONGEST_EDGE,),
    prepare=prepare,
)
