"""What forms and addresses of the logbook hold, as numbers."""

from longsoak.vocabulary.errors import RequestError


def corrected_number(words: str) -> int | None:
    """The number of the entry that a form corrects; None where it corrects none.

    Raises
    ------
    RequestError
        It is no number.
    """
    if words and count_in(words) is None:
        raise RequestError(f"{words[:20]!r} is no entry's number. Nothing was kept.")
    return int(words) if words else None


def count_in(words: str | None) -> int | None:
    """A count in an address; None where there is none."""
    return int(words) if words and words.isdecimal() and len(words) < 16 else None
