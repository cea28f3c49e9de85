"""What forms and addresses of the logbook hold, as numbers and times."""

from longsoak.core.moments import moment_of
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


def moment_said(at: str, *, written_ms: int) -> int:
    """When what a form tells of was, UTC ms: the time it says, or else when it was written.

    Raises
    ------
    RequestError
        It is no time.
    """
    return moment_of(at, now_ms=written_ms) if at else written_ms


def count_in(words: str | None) -> int | None:
    """A count in an address; None where there is none."""
    return int(words) if words and words.isdecimal() and len(words) < 16 else None
