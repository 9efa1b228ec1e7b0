"""Names of teeth: FDI (ISO 3950) numbers inside, the other two notations at the edges.

The numbers 11 to 18 and 21 to 28 are teeth in two notations, and not the same teeth, so nothing here guesses: whoever
reads a tooth says which notation it is written in.
"""

from __future__ import annotations

from typing import Literal, TypeAlias, get_args

from kerfmark.errors import InputError, printable

__all__ = [
    "FDI_CODES", "Notation", "ToothKind", "antimere", "as_fdi", "is_primary", "is_upper", "mesial_sign", "position",
    "quadrant", "read_tooth", "same_form", "tooth_kind", "tooth_name", "write_tooth",
]  # fmt: skip

Notation: TypeAlias = Literal["fdi", "universal", "bracket"]
ToothKind: TypeAlias = Literal["incisor", "canine", "premolar", "molar"]

FDI_CODES: tuple[int, ...] = tuple(10 * q + n for q in range(1, 9) for n in range(1, 9 if q < 5 else 6))
"""All 52 codes: 32 permanent, 20 primary (ISO 3950)."""

# First and step of the universal count along each quadrant, from the midline: number = first + step · position.
# Computed from the rule that 1 is the upper right third molar and the count runs round to 32.
_UNIVERSAL = {1: (9, -1), 2: (8, 1), 3: (25, -1), 4: (24, 1), 5: (6, -1), 6: (5, 1), 7: (16, -1), 8: (15, 1)}
_CORNERS = {1: "UR", 2: "UL", 3: "LL", 4: "LR"}
_GLYPHS = {1: "┘", 2: "└", 3: "┌", 4: "┐"}
_PERMANENT_NAMES = (
    "central incisor", "lateral incisor", "canine", "first premolar", "second premolar", "first molar", "second molar",
    "third molar",
)  # fmt: skip
_PRIMARY_NAMES = ("central incisor", "lateral incisor", "canine", "first molar", "second molar")
_BY_UNIVERSAL: dict[str, int] = {}
_BY_BRACKET: dict[str, int] = {}


def as_fdi(code: object) -> int:
    """A tooth's FDI number, checked.

    Parameters
    ----------
    code : int or str
        Two digits: quadrant, then position from the midline.

    Returns
    -------
    fdi : int

    Raises
    ------
    InputError
        If it is none of the 52 codes.

    Notes
    -----
    Source: ISO 3950.

    Examples
    --------
    >>> as_fdi("46")
    46
    """
    text = str(code).strip()
    known = text.isascii() and text.isdigit() and len(text) == 2 and int(text) in FDI_CODES
    if isinstance(code, bool) or not known:
        raise InputError(
            f"tooth is '{printable(text, limit=40)}', expected an FDI number: 11 to 18, 21 to 28, 31 to 38, 41 to 48, "
            "or 51 to 55, 61 to 65, 71 to 75, 81 to 85. Correct it and try again."
        )
    return int(text)


def quadrant(fdi: int) -> int:
    """Quadrant, 1 to 8: upper right, upper left, lower left, lower right; 5 to 8 the same for primary teeth."""
    return fdi // 10


def position(fdi: int) -> int:
    """Position from the midline, 1 to 8 (primary 1 to 5)."""
    return fdi % 10


def is_primary(fdi: int) -> bool:
    """Whether it is a primary (milk) tooth."""
    return fdi > 50


def is_upper(fdi: int) -> bool:
    """Whether it stands in the upper jaw."""
    return quadrant(fdi) in (1, 2, 5, 6)


def mesial_sign(fdi: int) -> int:
    """+1 where mesial lies on +x of the tooth frame (quadrants 1, 3, 5, 7), −1 where on −x (2, 4, 6, 8).

    Notes
    -----
    From x = facial × occlusal (`docs/conventions.md`).
    """
    return 1 if quadrant(fdi) % 2 else -1


def antimere(fdi: int) -> int:
    """The same tooth of the other side: 46 for 36, 51 for 61.

    Examples
    --------
    >>> antimere(46), antimere(51)
    (36, 61)
    """
    partner = {1: 2, 2: 1, 3: 4, 4: 3, 5: 6, 6: 5, 7: 8, 8: 7}[quadrant(fdi)]
    return 10 * partner + position(fdi)


def same_form(fdi: int) -> int:
    """The code among quadrants 1, 3, 5 and 7 (mesial on +x) that it is, or whose mirror image it is."""
    return fdi if mesial_sign(fdi) > 0 else antimere(fdi)


def tooth_kind(fdi: int) -> ToothKind:
    """Incisor, canine, premolar or molar."""
    n = position(fdi)
    if n <= 2:
        return "incisor"
    if n == 3:
        return "canine"
    return "premolar" if n <= 5 and not is_primary(fdi) else "molar"


def tooth_name(fdi: int) -> str:
    """The tooth in words.

    Examples
    --------
    >>> tooth_name(46), tooth_name(85)
    ('lower right first molar', 'lower right primary second molar')
    """
    jaw = "upper" if is_upper(fdi) else "lower"
    side = "right" if quadrant(fdi) in (1, 4, 5, 8) else "left"
    if is_primary(fdi):
        return f"{jaw} {side} primary {_PRIMARY_NAMES[position(fdi) - 1]}"
    return f"{jaw} {side} {_PERMANENT_NAMES[position(fdi) - 1]}"


def read_tooth(text: str, *, notation: Notation) -> int:
    """The FDI number of a tooth written in a stated notation.

    Parameters
    ----------
    text : str
        `fdi`: two digits. `universal`: 1 to 32 or a letter A to T. `bracket`: the quadrant as UR, UL, LL, LR or as the
        corner glyph, with 1 to 8 or a letter A to E, in the order the quadrant is seen ("6┘", "└6") or letters first.
    notation : {'fdi', 'universal', 'bracket'}
        Always said, never guessed.

    Returns
    -------
    fdi : int

    Raises
    ------
    InputError
        If the text is no tooth in that notation, or the notation is none of the three.

    Notes
    -----
    Sources: ISO 3950; the universal count runs from 1, upper right third molar, round to 32 (A to T for primary teeth);
    Zsigmondy and Palmer's bracket with 1 to 8 or A to E.

    Examples
    --------
    >>> read_tooth("30", notation="universal"), read_tooth("6┐", notation="bracket")
    (46, 46)
    """
    check_notation(notation)
    if notation == "fdi":
        return as_fdi(text)
    key = str(text).strip().upper().replace(" ", "")
    table = _BY_UNIVERSAL if notation == "universal" else _BY_BRACKET
    if key not in table:
        accepted = "1 to 32 or A to T" if notation == "universal" else "UR, UL, LL or LR and 1 to 8 or A to E"
        raise InputError(
            f"tooth is '{printable(text, limit=40)}' in the {notation} notation, expected {accepted}. "
            "Correct it and try again."
        )
    return table[key]


def write_tooth(fdi: int, *, notation: Notation, glyphs: bool = False) -> str:
    """A tooth written in a stated notation; `glyphs` writes the bracket as a corner instead of two letters.

    Examples
    --------
    >>> write_tooth(46, notation="universal"), write_tooth(85, notation="bracket")
    ('30', 'LRE')
    >>> write_tooth(16, notation="bracket", glyphs=True)
    '6┘'
    """
    check_notation(notation)
    fdi = as_fdi(fdi)
    if notation == "fdi":
        return str(fdi)
    return _universal(fdi) if notation == "universal" else _bracket(fdi, glyphs=glyphs)


def check_notation(notation: str) -> None:
    """Refuse a notation that is none of the three; a missing one is never filled in."""
    if notation not in get_args(Notation):
        raise InputError(
            f"notation is '{printable(notation, limit=40)}', expected fdi, universal or bracket. "
            "Say in which of them the tooth is written: 11 to 28 are teeth in two of them."
        )


def _universal(fdi: int) -> str:
    first, step = _UNIVERSAL[quadrant(fdi)]
    number = first + step * position(fdi)
    return chr(ord("A") + number - 1) if is_primary(fdi) else str(number)


def _bracket(fdi: int, *, glyphs: bool = False) -> str:
    corner = (quadrant(fdi) - 1) % 4 + 1
    sign = chr(ord("A") + position(fdi) - 1) if is_primary(fdi) else str(position(fdi))
    if not glyphs:
        return _CORNERS[corner] + sign
    return sign + _GLYPHS[corner] if corner in (1, 4) else _GLYPHS[corner] + sign


_BY_UNIVERSAL.update({_universal(fdi): fdi for fdi in FDI_CODES})
_BY_BRACKET.update({_bracket(fdi, glyphs=glyphs): fdi for fdi in FDI_CODES for glyphs in (False, True)})
