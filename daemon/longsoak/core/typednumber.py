"""Numbers as people type them, with a point or a comma for the decimals. Pure."""

import re

_SPACE = " \N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{THIN SPACE}"
# Spaces between thousands: "1 234,5", as French writes it with a narrow no-break space.
_THOUSANDS = re.compile(rf"(?<![\d.,])(\d{{1,3}})((?:[{_SPACE}]\d{{3}})+)(?!\d)")
_TWO_WAYS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")


class TwoWaysError(ValueError):
    """What was typed is one number to some and another to others; its words say how to put it."""


def number_typed(words: str) -> float:
    """The number that somebody typed.

    One sign, a point or a comma, is that of the decimals. ``1,500`` and ``1.500`` are refused: they
    are one and a half to some, and fifteen hundred to others.

    Raises
    ------
    TwoWaysError
        It can be read in two ways.
    ValueError
        It is no number.
    """
    bare = words.strip().replace("\N{MINUS SIGN}", "-")
    bare = _THOUSANDS.sub(lambda found: found[1] + re.sub(rf"[{_SPACE}]", "", found[2]), bare)
    signs = [sign for sign in bare if sign in ".,"]
    digits = re.sub(r"[.,]", "", bare)
    if len(signs) > 1 and re.fullmatch(r"[+-]?\d+", digits):
        whole, _, rest = bare.rpartition(signs[-1])
        plain = re.sub(r"[.,]", "", whole)
        meant = f"{plain}.{rest}" if len(set(signs)) > 1 else digits
        raise TwoWaysError(
            f"{words.strip()[:20]!r} has more than one sign. Write it without one between the "
            f"thousands, such as {meant}."
        )
    if _TWO_WAYS.fullmatch(bare):
        pointed = bare.replace(",", ".")
        raise TwoWaysError(
            f"{words.strip()[:20]!r} is {float(pointed):g} to some and {digits} to others. Write "
            f"{digits}, or {pointed}0."
        )
    if "_" in bare:
        raise ValueError(words)
    return float(bare.replace(",", "."))
