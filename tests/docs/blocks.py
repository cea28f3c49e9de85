"""The blocks of commands in a text."""

import re
from pathlib import Path

TOP = Path(__file__).parents[2]


def blocks_of(name: str) -> list[list[str]]:
    """The lines of each block of commands in a text."""
    text = (TOP / name).read_text()
    found = re.findall(r"^( *)```sh\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    return [[line.removeprefix(indent) for line in lines.splitlines()] for indent, lines in found]
