"""`longsoak convert` and `longsoak curves`, run as a user runs them."""

import csv
import io
import json
from pathlib import Path
from xml.etree import ElementTree

import psychrolib
import pytest

from longsoak.core.humidity import vapour_pressure
from longsoak.core.mould import CAUTION
from longsoak.core.resistance import moisture_content, prepare
from longsoak.rigfile.curves import shipped
from processes import longsoak

FIR = "Douglas-fir (coast)"
BY_FIR = ("convert", "--curve", FIR, "--temperature", "26.7", "--resistance")


def answer(*arguments: str) -> dict[str, object]:
    ended = longsoak("convert", *arguments, "--json")
    assert ended.returncode == 0, ended.stderr
    found: dict[str, object] = json.loads(ended.stdout)
    return found


def test_a_resistance_by_a_curve_with_its_uncertainty() -> None:
    # FPL-GTR-6 (James 1988), Table 1, Douglas-fir at 26.7 degC: 120 MOhm at 12 %, from memory.
    found = answer("--curve", FIR, "--resistance", "120e6", "--temperature", "26.7")
    expected = moisture_content(120e6, 26.7, prepare(shipped()[FIR]))
    assert found == {
        "curve": FIR,
        "quantity": "moisture content",
        "unit": "%",
        "value": pytest.approx(12.0, abs=1e-9),
        "bound": None,
        "standard_uncertainty": pytest.approx(expected.uncertainty),
        "flag": 1,
        "note": "in wood; in any other material it is only a wood-equivalent",
    }


@pytest.mark.parametrize(
    ("ohm", "value", "bound", "flag", "note"),
    [
        ("1e5", 25.0, "at least", 1, "wetter than the curve reaches"),
        ("5e10", 7.0, "at most", 1, "drier than the curve reaches"),
        ("50", 25.0, "at least", 3, "short circuit"),
        ("9.9e37", None, None, 4, "beyond the meter's range, or an open wire"),
        ("5e11", None, None, 4, "open circuit"),
    ],
)
def test_beyond_the_curve_there_are_bounds_and_no_figures(
    ohm: str, value: float | None, bound: str | None, flag: int, note: str
) -> None:
    found = answer("--curve", FIR, "--resistance", ohm, "--temperature", "26.7")
    assert (found["value"], found["bound"]) == (pytest.approx(value), bound)
    assert found["flag"] == flag
    assert note in str(found["note"])
    if bound is not None:
        shown = longsoak(*BY_FIR, ohm).stdout
        assert bound in shown
        assert "±" not in shown


def test_wood_settles_where_the_handbook_says() -> None:
    # Wood Handbook, table 4-2, 21.1 degC (70 degF) and 65 % RH: 12.0 %, from memory, computed.
    found = answer("--emc", "--temperature", "21.1", "--humidity", "65")
    assert found["value"] == pytest.approx(12.0, abs=0.06)


def test_the_dew_point_is_that_of_the_reference_library() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)  # psychrolib 2.5.0, ASHRAE HOF 2017
    ended = longsoak("convert", "--dew-point", "--temperature", "25", "--humidity", "50", "--json")
    by_name = {row["quantity"]: row for row in json.loads(ended.stdout)}
    expected = psychrolib.GetTDewPointFromRelHum(25.0, 0.5)
    assert by_name["dew point"]["value"] == pytest.approx(expected, abs=0.02)
    assert "frost point" not in by_name


def test_below_freezing_the_frost_point_is_told_beside_the_dew_point() -> None:
    ended = longsoak("convert", "--dew-point", "--temperature", "-10", "--humidity", "70", "--json")
    by_name = {row["quantity"]: row["value"] for row in json.loads(ended.stdout)}
    # Humidity counts over water here, over ice in the reference library: the same vapour is asked.
    vapour = vapour_pressure(-10.0, relative_humidity=70.0)
    psychrolib.SetUnitSystem(psychrolib.SI)  # psychrolib 2.5.0, which gives the frost point
    assert by_name["frost point"] == pytest.approx(
        psychrolib.GetTDewPointFromVapPres(-10.0, vapour), abs=0.02
    )
    assert by_name["dew point"] < by_name["frost point"]


def test_the_mould_index_after_four_weeks() -> None:
    # Constant 22 degC, 95 % RH, very sensitive: 3.2973 after 28 days, computed with 1 h steps.
    found = answer("--mould", "--temperature", "22", "--humidity", "95", "--days", "28")
    assert found["value"] == pytest.approx(3.2973, abs=0.005)
    assert CAUTION in str(found["note"])


def test_a_file_of_values_comes_back_as_a_file(tmp_path: Path) -> None:
    given = tmp_path / "values.csv"
    given.write_text("temperature_c,resistance_ohm\n26.7,120e6\n26.7,9.9e37\n")
    ended = longsoak("convert", "--curve", FIR, "--csv", given)
    rows = list(csv.DictReader(io.StringIO(ended.stdout)))
    assert float(rows[0]["value"]) == pytest.approx(12.0, abs=1e-9)
    assert [row["flag"] for row in rows] == ["1", "4"]
    assert rows[1]["value"] == ""


def test_the_mould_index_is_carried_on_from_row_to_row(tmp_path: Path) -> None:
    given = tmp_path / "air.csv"
    given.write_text("temperature_c,humidity_percent,hours\n" + "22,95,24\n" * 28)
    ended = longsoak("convert", "--mould", "--csv", given)
    rows = list(csv.DictReader(io.StringIO(ended.stdout)))
    assert float(rows[-1]["value"]) == pytest.approx(3.2973, abs=0.005)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("temperature_c\n20\n", "values.csv:1: the header lacks resistance_ohm"),
        ("temperature_c,resistance_ohm\n20,1e7\n20,wet\n", "values.csv:3: resistance_ohm is 'wet'"),
        ("temperature_c,resistance_ohm\n90,1e7\n", "values.csv:2: temperature is 90.0 degC"),
    ],
)
def test_a_bad_file_is_told_with_its_line(tmp_path: Path, content: str, says: str) -> None:
    given = tmp_path / "values.csv"
    given.write_text(content)
    ended = longsoak("convert", "--curve", FIR, "--csv", given)
    assert ended.returncode == 2
    assert says in ended.stderr


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--curve", "Duglas-fir", "--resistance", "1e7"), 'Did you mean "Douglas-fir'),
        (("--curve", FIR, "--resistance", "1e7"), "Give --temperature as well"),
        (("--emc", "--temperature", "20"), "Give --humidity as well"),
        (("--emc", "--temperature", "200", "--humidity", "50"), "expected -1.1 to 60 degC"),
        (("--emc", "--mould"), "Say which"),
        ((), "Say which"),
    ],
)
def test_what_is_missing_or_out_of_range_ends_with_2(arguments: tuple[str, ...], says: str) -> None:
    ended = longsoak("convert", *arguments)
    assert ended.returncode == 2
    assert says in ended.stderr
    assert "Traceback" not in ended.stderr


def test_all_shipped_curves_are_listed_with_their_source() -> None:
    shown = longsoak("curves").stdout
    assert all(name in shown for name in shipped())
    assert shown.count("from memory") == len(shipped())


def test_one_curve_is_shown_and_drawn(tmp_path: Path) -> None:
    drawing = tmp_path / "fir.svg"
    ended = longsoak("curves", FIR, "--plot", drawing)
    assert ended.returncode == 0
    assert shipped()[FIR].source in ended.stdout
    root = ElementTree.parse(drawing).getroot()  # noqa: S314 - our own
    points = [e for e in root.iter() if e.get("class") == "point"]
    assert len(points) == len(shipped()[FIR].points)
    assert len([e for e in root.iter() if e.get("class") == "other"]) == 2


def test_curves_of_ones_own_come_from_the_rig_file(tmp_path: Path) -> None:
    good = (Path(__file__).parents[1] / "rigfile" / "good.toml").read_text()
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(good)
    shown = longsoak("curves", "--rig", rig_file, "--json")
    names = {curve["name"] for curve in json.loads(shown.stdout)}
    assert set(shipped()) < names


def test_a_fit_becomes_a_curve_to_convert_with(tmp_path: Path) -> None:
    # Ten invented pairs; the sheet's synthetic set, fitted value at 1e5 Ohm computed: 14.904855 %.
    ohm = ["2.1e4", "4.4e4", "9.0e4", "2.3e5", "6.1e5", "1.5e6", "4.2e6", "1.3e7", "4.0e7", "1.6e8"]
    moisture = ["21.8", "18.1", "15.4", "12.2", "9.6", "8.0", "6.3", "4.9", "3.9", "2.9"]
    samples = tmp_path / "samples.csv"
    samples.write_text(
        "resistance_ohm,temperature_c,moisture_percent\n"
        + "".join(f"{r},20,{u}\n" for r, u in zip(ohm, moisture, strict=True))
    )
    curve_file = tmp_path / "own.curve.toml"
    fitted = longsoak(
        "fit", samples, "--form", "power law", "--material", "mineral", "--name", "own",
        "--out", curve_file,
    )  # fmt: skip
    assert fitted.returncode == 0, fitted.stdout + fitted.stderr
    good = (Path(__file__).parents[1] / "rigfile" / "good.toml").read_text()
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(good.replace("[rig]\n", '[rig]\ncurve_files = ["own.curve.toml"]\n', 1))
    found = answer(
        "--curve", "own", "--rig", str(rig_file), "--resistance", "1e5", "--temperature", "20"
    )
    assert found["value"] == pytest.approx(14.904855, abs=1e-4)
    assert "salts and alkali" in str(found["note"])
