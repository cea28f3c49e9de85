"""Samples in a folder, and `longsoak fit` run on them. The samples are invented."""

import json
import tomllib
from pathlib import Path
from typing import cast

from click.testing import CliRunner, Result

from longsoak.cli.fit import fit
from longsoak.rigfile.curves import curve
from longsoak.rigfile.curvetable import CurveTable
from longsoak.vocabulary.curve import Curve

# Invented for tests, not measured; the results of its fit are checked in tests/reference.
SYNTHETIC = [
    (2.1e4, 21.8), (4.4e4, 18.1), (9.0e4, 15.4), (2.3e5, 12.2), (6.1e5, 9.6), (1.5e6, 8.0),
    (4.2e6, 6.3), (1.3e7, 4.9), (4.0e7, 3.9), (1.6e8, 2.9),
]  # fmt: skip


def rows(pairs: list[tuple[float, float]], *, branch: bool = True, kelvin: float = 0.0) -> str:
    lines = ["sample,resistance_ohm,temperature_c,moisture_percent,branch"]
    for place, (ohm, moisture) in enumerate(pairs):
        way = ("wetting", "drying")[place % 2] if branch else ""
        warmer = kelvin * (place % 2)
        lines.append(
            f"P{place + 1},{ohm * 10 ** (-0.03 * warmer):.6g},{20 + warmer:g},{moisture},{way}"
        )
    return "\n".join(lines) + "\n"


class Bench:
    """A folder with samples, and the command run in it."""

    def __init__(self, folder: Path, text: str) -> None:
        self.folder = folder
        (folder / "samples.csv").write_text(text)

    def run(self, *arguments: str) -> Result:
        paths = [str(self.folder / a) if "." in a and a[0].isalpha() else a for a in arguments]
        return CliRunner().invoke(fit, [str(self.folder / "samples.csv"), *paths])

    def json(self, *arguments: str) -> dict[str, object]:
        ended = self.run("--json", *arguments)
        return cast(dict[str, object], json.loads(ended.stdout))

    def curve(self, file: str) -> Curve:
        (named,) = tomllib.loads((self.folder / file).read_text())["curves"].items()
        return curve(named[0], CurveTable.model_validate(named[1]))
