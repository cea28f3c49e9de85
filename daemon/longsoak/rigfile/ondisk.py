"""Whether the rig file on the disk is still the one that is measured under."""

from pathlib import Path

from longsoak.rigfile.load import read
from longsoak.vocabulary.errors import RigFileError


def has_changed(rig_file: Path, kept: str) -> bool:
    """Whether a rig file holds another text than was kept; false where it can't be read."""
    try:
        return read(rig_file).text != kept
    except RigFileError:
        return False
