"""Colours: the colour-blind-safe set of Okabe and Ito, and what each state looks like.

Okabe M, Ito K (2008): Color Universal Design. Every state has a word and a shape as
well as a colour, so nothing is told by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"

# Lines and points of figures, best-separated first; yellow is too pale on paper.
SERIES = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY, BLACK)

INK = "#18262d"
PAPER = "#fbf8f0"
RULE = "#dcd5c4"
GREY = "#6b7378"


@dataclass(frozen=True, slots=True)
class Badge:
    """How a state is shown.

    Attributes:
        key: Name of its style.
        shape: ``disc``, ``up``, ``down``, ``cross``, ``ring``, ``dash`` or ``dot``.
    """

    key: str
    word: str
    colour: str
    shape: str


def badge(state: str, favour: str = "", word: str = "") -> Badge:
    """Return the badge of a claim's state.

    The word and the shape tell the state, the colour tells what it means for the buyer:
    green as claimed, vermilion worse, blue better, orange plainly off, grey undecided.
    """
    if state == "confirmed":
        return Badge("kept", state, GREEN, "disc")
    if state in {"more than claimed", "less than claimed"}:
        shape = "down" if state == "less than claimed" else "up"
        key, colour = {
            "worse than claimed": ("worse", VERMILION),
            "better than claimed": ("better", BLUE),
        }.get(favour, ("off", ORANGE))
        return Badge(key, word or state, colour, shape)
    if state == "contradicted":
        return Badge("worse", state, VERMILION, "cross")
    if state == "cannot tell":
        return Badge("open", state, PURPLE, "ring")
    if state == "not tested":
        return Badge("untested", state, GREY, "dash")
    return Badge("silent", state, GREY, "dot")
