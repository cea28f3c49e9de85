"""What a restore leaves beside the record for the next run to tell."""

from contextlib import suppress
from pathlib import Path

NOTE = "restored.txt"
_LONGEST = 2000  # bytes


def note_of_restore(folder: Path) -> str | None:
    """What a restore has left to tell; None if there was none since it was told."""
    try:
        with (folder / NOTE).open("rb") as file:
            said = file.read(_LONGEST).decode(errors="replace").strip()
    except OSError:
        return None
    return said if said.isprintable() else None


def drop_note(folder: Path) -> None:
    """Forget it, once it is told."""
    with suppress(OSError):
        (folder / NOTE).unlink()
