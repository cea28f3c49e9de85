"""What the two guides say, for tests to hold them to."""

import re
from pathlib import Path

FOLDER = Path(__file__).parents[2] / "deploy" / "frontend"
WIRING = (FOLDER / "WIRING.md").read_text()
FRAMES = (FOLDER / "FRAMES.md").read_text()


def table(text: str, heading: str) -> list[list[str]]:
    """Rows of the table whose first heading cell is `heading`, without backquotes."""
    lines = text.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {heading} |"))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip().replace("`", "") for cell in line.strip("|").split("|")])
    return rows


def ohms(text: str) -> float:
    """A resistance as the guide writes it: 10 kOhm, 1 GOhm."""
    number, unit = text.split()
    return float(number) * {"Ohm": 1, "kOhm": 1e3, "MOhm": 1e6, "GOhm": 1e9}[unit]


def allowed(ohm: float) -> float:
    """How far a reading may be off a resistance, Ohm, by the guide's table."""
    for up_to, share, more in table(WIRING, "up to"):
        if ohm <= ohms(up_to):
            return float(share.removesuffix(" %")) / 100 * ohm + ohms(more)
    raise AssertionError(f"the guide says nothing of {ohm:g} Ohm")


def blocks(text: str, language: str) -> list[str]:
    """Fenced blocks of one language."""
    return re.findall(rf"^ *```{language}\n(.*?)^ *```", text, re.MULTILINE | re.DOTALL)
