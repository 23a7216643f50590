"""Names that tell the coil pairs of an instrument apart."""

from __future__ import annotations

import re
from collections.abc import Sequence

from .instrument import CONDUCTIVITY, CoilPair, Instrument

PREFIXES = {"quadrature": "ec", "in_phase": "ip"}


def pair_labels(pairs: Sequence[CoilPair]) -> tuple[str, ...]:
    """The pairs' labels; where two are the same, the frequency or the number tells them apart.

    Examples
    --------
    >>> pair_labels([CoilPair(1.0), CoilPair(1.0, frequency=5000.0), CoilPair(2.0)])
    ('1 m vertical, 10 kHz', '1 m vertical, 5 kHz', '2 m vertical')
    """
    labels = [pair.label for pair in pairs]
    finer = [
        f"{label}, {pair.frequency / 1000:g} kHz" if labels.count(label) > 1 else label
        for pair, label in zip(pairs, labels)
    ]
    return tuple(
        f"{label} ({number})" if finer.count(label) > 1 else label
        for number, label in enumerate(finer, start=1)
    )


def channel_names(instrument: Instrument, part: str) -> tuple[str, ...]:
    """Field of each pair for a part: the instrument's own, or made where the pair names none.

    A pair that names a field for one part only does not record the other: an empty text.

    Examples
    --------
    >>> pairs = (CoilPair(0.5), CoilPair(1.0, name="wide"), CoilPair(2.0, quadrature="q2"))
    >>> channel_names(Instrument(pairs), "quadrature")
    ('ec_050_vertical', 'ec_wide', 'q2')
    >>> channel_names(Instrument(pairs), "in_phase")
    ('ip_050_vertical', 'ip_wide', '')
    """
    plain = part == "quadrature" and instrument.quadrature_unit != CONDUCTIVITY
    prefix = "q" if plain else PREFIXES[part]
    made = []
    for pair in instrument.pairs:
        if pair.quadrature or pair.in_phase:
            made.append(str(getattr(pair, part)))
            continue
        cm = f"{100 * pair.spacing:g}"
        said = pair.name or f"{cm.zfill(3)}_{pair.orientation}"
        made.append(f"{prefix}_{re.sub(r'[^0-9a-z]+', '_', said.lower()).strip('_')}")
    own = [pair.quadrature or pair.in_phase for pair in instrument.pairs]
    return tuple(
        f"{name}_{number}" if made.count(name) > 1 and not own[number - 1] else name
        for number, name in enumerate(made, start=1)
    )
