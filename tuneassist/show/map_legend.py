"""The legend of a map of numbers: only the marks and colours that the map shows."""

from __future__ import annotations

from tuneassist.settings import Setup
from tuneassist.show.cell_picture import CellPicture, CellShown, unsafe_deviation_sign
from tuneassist.show.display import BEYOND_WORDS, HELD, CellMark, Display

_CONFIDENCES: tuple[CellMark, ...] = ("fair", "low", "none")


def deviation_legend(picture: CellPicture, setup: Setup, display: Display) -> str:
    """Explain a map of deviations.

    Parameters
    ----------
    picture
        From `tuneassist.show.cell_picture.deviation_picture`.
    setup
        Ignition and kind of target.
    display
        Marks, and whether there are colours.
    """
    parts = [*confidence_words(picture, display), *state_words(picture, display)]
    signs = {one.text[:1] for one in picture.cells}
    parts += ["> leaner than that, size not known"] if ">" in signs else []
    parts += ["< richer than that, size not known"] if "<" in signs else []
    return " ".join((*_sentence(parts), *_deviation_colours(picture, setup, display)))


def step_legend(picture: CellPicture, display: Display, colours: tuple[str, str] = ("", "")) -> str:
    """Explain a map of steps; empty where it shows numbers alone.

    Parameters
    ----------
    picture
        From `tuneassist.show.cell_picture.step_picture`.
    display
        Marks, and whether there are colours.
    colours
        What orange and blue mean; "" where that is not said.
    """
    held = any(one.mark == "held" for one in picture.cells)
    parts = [f"{HELD} held back by a rule, see below"] if held else []
    parts += state_words(picture, display, nothing="no evidence, no change")
    return " ".join((*_sentence(parts), *_colours(picture, display, *colours)))


def confidence_words(picture: CellPicture, display: Display) -> list[str]:
    """Return what the marks of confidence mean; good has none.

    Parameters
    ----------
    picture
        The map.
    display
        Marks.
    """
    seen = {one.mark for one in picture.cells}
    words = [f"{display.mark(mark)} {mark}" for mark in _CONFIDENCES if mark in seen]
    if any(_is_good(one) for one in picture.cells):
        words.insert(0, "good where there is no mark")
    marks = [f"Confidence: {', '.join(words)}"] if words else []
    return marks + ([f"{display.beyond} {BEYOND_WORDS}"] if "beyond" in seen else [])


def state_words(
    picture: CellPicture, display: Display, *, nothing: str = "no evidence"
) -> list[str]:
    """Return what the marks of cells without a number mean.

    Parameters
    ----------
    picture
        The map.
    display
        Marks.
    nothing
        What it means for a cell to have no evidence.
    """
    states = {one.state for one in picture.cells}
    words = [f"{display.no_evidence} {nothing}"] if "nothing" in states else []
    return words + ([f"{display.left_alone} left alone"] if "left alone" in states else [])


def _is_good(one: CellShown) -> bool:
    return one.state == "value" and not one.mark and one.text[:1] not in (">", "<")


def _sentence(parts: list[str]) -> list[str]:
    return [f"{'; '.join(parts)}."] if parts else []


def _deviation_colours(picture: CellPicture, setup: Setup, display: Display) -> list[str]:
    sides = ("leaner", "richer") if unsafe_deviation_sign(setup) > 0 else ("richer", "leaner")
    if setup.target.kind == "floor":
        spared = ["Leaner than the floor needs no correction."]
        return [*_colours(picture, display, f"{sides[0]}, the unsafe side"), *spared]
    return _colours(picture, display, f"{sides[0]}, the unsafe side", sides[1])


def _colours(picture: CellPicture, display: Display, unsafe: str = "", safe: str = "") -> list[str]:
    if not display.has_color:
        return []
    shades = {one.shade > 0 for one in picture.cells if one.shade}
    words = [f"Orange: {unsafe}."] if unsafe and True in shades else []
    return words + ([f"Blue: {safe}."] if safe and False in shades else [])
