"""Bytes in a sentence that a person reads, and that is cut where it gets long."""

_WHOLE = 40  # bytes; four letters each if they are no text
_HEAD = 24


def quoted(data: bytes) -> str:
    """Quote a usual answer whole, and of a longer one its head: the reason comes behind it."""
    return repr(data) if len(data) <= _WHOLE else f"{data[:_HEAD]!r}..."
