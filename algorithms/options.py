"""What the options of a method share: words to choose from."""

from __future__ import annotations

from collections.abc import Collection


def check_words(*choices: tuple[str, str, Collection[str]]) -> None:
    """Refuse the first word that is none of those it may be.

    Parameters
    ----------
    choices
        What each word chooses, as the first words of a sentence, the word, and all there are.

    Raises
    ------
    ValueError
        Naming the word and those to choose from.

    Examples
    --------
    >>> check_words(("Side", "left", ("right", "left")), ("Walking", "up", ("zigzag", "one_way")))
    Traceback (most recent call last):
    ValueError: Walking 'up' is unknown: choose one of zigzag, one_way.
    """
    for what, word, known in choices:
        if word not in known:
            raise ValueError(f"{what} '{word}' is unknown: choose one of {', '.join(known)}.")
