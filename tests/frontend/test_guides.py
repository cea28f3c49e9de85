"""What the two guides say, held against the firmware, the shipped driver and arithmetic."""

import ast
import re
from functools import reduce
from operator import xor
from pathlib import Path

import pytest

from frontend.guide import FOLDER, FRAMES, WIRING, blocks, ohms, table
from frontend.running import USUAL
from longsoak.core.judge import OVERLOAD
from longsoak.vocabulary.sample import Absence, Missing, Sample
from longsoak_drivers.lines import LONGEST_LINE, decode
from processes import longsoak

MODULES = sorted(FOLDER.glob("*.py"))
# What MicroPython has on a microcontroller; docs.micropython.org, library index, read in part.
ON_THE_BOARD = {"machine", "micropython", "select", "sys", "time"}


def settings() -> dict[str, object]:
    """The shipped settings; they are plain Python."""
    found: dict[str, object] = {}
    exec((FOLDER / "settings.py").read_text(), found)  # noqa: S102 - our own file
    return found


def nmea(body: str) -> str:
    """The checksum, computed here rather than by the driver."""
    return f"{reduce(xor, body.encode(), 0):02X}"


@pytest.mark.parametrize(("question", "answer"), [row[:2] for row in table(FRAMES, "question")])
def test_the_frames_guide_shows_lines_the_driver_understands(question: str, answer: str) -> None:
    body, digits = answer.split("*")
    assert digits == nmea(body)
    line = answer.encode() + b"\r\n"
    assert len(line) <= LONGEST_LINE
    name, value, unit = body.split(",")
    assert question == f"?{name}"
    got = decode(line, name=name, probe="x")
    if value == "error":
        assert got == Missing("x", Absence.REFUSED, f"{name} reports {unit!r}")
    else:
        assert got == Sample("x", float(value), unit)


def test_the_number_for_open_is_one_the_daemon_takes_for_open() -> None:
    (answer,) = [row[1] for row in table(FRAMES, "question") if row[2] == "open"]
    assert float(answer.split(",")[1]) >= OVERLOAD


def test_the_frames_guide_explains_every_word_the_firmware_may_say() -> None:
    said = set()
    for module in MODULES:
        for node in ast.walk(ast.parse(module.read_text())):
            match node:
                case (
                    ast.Call(
                        func=ast.Name(id="framed"),
                        args=[_, ast.Constant(value="error"), ast.Constant(value=str(word))],
                    )
                    | ast.Call(
                        func=ast.Name(id="Reading"), args=[_, _, ast.Constant(value=str(word))]
                    )
                ):
                    said.add(word)
                case ast.FunctionDef(name="_doubt"):
                    returns = [n.value for n in ast.walk(node) if isinstance(n, ast.Return)]
                    values = [n.value for n in returns if isinstance(n, ast.Constant)]
                    said |= {value for value in values if isinstance(value, str)}
    assert said == {row[0] for row in table(FRAMES, "word")}


def test_the_pins_in_the_wiring_guide_are_the_ones_in_the_settings() -> None:
    found = settings()
    for name, gpios in table(WIRING, "setting"):
        numbers = tuple(int(gpio) for gpio in gpios.split(","))
        assert found[name] in (numbers, numbers[0]), name


def test_the_guides_ranges_and_limits_are_the_settings() -> None:
    found = settings()
    assert found["MOST"] == ohms("5 GOhm") == ohms(table(WIRING, "up to")[-1][0])
    (parts,) = [row[0] for row in table(WIRING, "part") if row[0].startswith("range resistors")]
    sizes = [ohms(f"{n} {unit}") for n, unit in re.findall(r"(\d+) ([kM]Ohm)", parts)]
    assert tuple(sizes) == found["RANGES"]
    assert set(USUAL["specimens"]) < set(found["CHANNELS"])  # type: ignore[call-overload]


def test_the_worked_example_follows_from_the_formulas() -> None:
    ohm, series, resistor, supply, own = 412e3, 1.2e3, 1e6, 3.3, 0.1
    q = resistor / (ohm + series + resistor)
    forward, reverse = q * (supply + own), supply - q * (supply - own)
    shares = [forward / supply, 1 - reverse / supply]
    shares.append(sum(shares) / 2)
    rows = [row[1:] for row in table(WIRING, "driven")]
    assert [row[0] for row in rows] == [f"{forward:.4f} V", f"{reverse:.4f} V", ""]
    assert [row[1] for row in rows] == [f"{share:.4f}" for share in shares]
    found = [resistor * (1 - share) / share - series for share in shares]
    assert [row[2] for row in rows] == [f"{each / 1e3:.1f} kOhm" for each in found]
    assert found[2] == pytest.approx(ohm, rel=1e-12)  # the mean of the shares is exact
    assert supply * (shares[0] - shares[1]) / (2 * shares[2]) == pytest.approx(own)


@pytest.mark.parametrize("row", table(WIRING, "(R + s) / r"), ids=lambda row: str(row[0]))
def test_what_an_error_of_the_share_makes_of_the_resistance(row: list[str]) -> None:
    ratio, shown, counts, of_r = row
    q = 1 / (1 + float(ratio))
    assert float(shown) == pytest.approx(q, abs=6e-5)
    assert float(counts) == pytest.approx(1 / (q * (1 - q)), abs=0.06)
    assert float(of_r.removesuffix(" %")) == pytest.approx(0.05 / (q * (1 - q)), abs=0.006)


def test_what_insulation_beside_a_pair_makes_of_its_resistance() -> None:
    for insulation, *wetter in table(WIRING, "insulation"):
        for ohm, shown in zip((100e6, 1e9, 5e9), wetter, strict=True):
            lost = 100 * ohm / (ohm + ohms(insulation))
            assert float(shown.removesuffix(" %")) == pytest.approx(lost, abs=0.06)


def test_the_rig_file_in_the_wiring_guide_is_good(tmp_path: Path) -> None:
    (text,) = blocks(WIRING, "toml")
    (tmp_path / "rig.toml").write_text(text)
    checked = longsoak("check", tmp_path / "rig.toml")
    assert (checked.returncode, checked.stderr) == (0, "")
    assert "The file is good." in checked.stdout


def test_the_commands_in_the_wiring_guide_have_the_options_they_show() -> None:
    (command,) = blocks(WIRING, "sh")
    program, *arguments = command.split()
    assert program == "longsoak"
    ended = longsoak(*arguments)  # there is no such rig here; a bad step would be told first
    assert "no step" not in ended.stderr
    assert "rig.toml" in ended.stderr


@pytest.mark.parametrize("module", MODULES, ids=lambda path: path.name)
def test_the_firmware_imports_only_what_a_microcontroller_has(module: Path) -> None:
    ours = {path.stem for path in MODULES}
    for node in ast.walk(ast.parse(module.read_text())):
        if isinstance(node, ast.Import):
            assert {name.name for name in node.names} <= ON_THE_BOARD | ours
        elif isinstance(node, ast.ImportFrom):
            assert node.module in ON_THE_BOARD | ours
