"""`longsoak convert` and `longsoak curves`, run as a user runs them."""

import csv
import io
import json
import math
from pathlib import Path
from xml.etree import ElementTree

import psychrolib
import pytest

from longsoak.core.humidity import vapour_pressure
from longsoak.core.mould import CAUTION
from longsoak.core.resistance import moisture_content, prepare
from longsoak.core.sorption import CURVE_UNCERTAINTY, equilibrium_moisture
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
        "resistance": 120e6,
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
    assert found["resistance"] == float(ohm)
    shown = longsoak(*BY_FIR, ohm).stdout
    assert f", from {float(ohm):.10g} Ohm" in shown
    assert "±" not in shown
    assert (bound or "none") in shown


def test_wood_settles_where_the_handbook_says() -> None:
    # Wood Handbook, table 4-2, 21.1 degC (70 degF) and 65 % RH: 12.0 %, from memory, computed.
    found = answer("--emc", "--temperature", "21.1", "--humidity", "65")
    assert found["value"] == pytest.approx(12.0, abs=0.06)


def test_what_wood_settles_at_is_as_uncertain_as_its_air_makes_it() -> None:
    # Slopes by differences of the curve itself: computed.
    def settles(t: float, rh: float) -> float:
        return equilibrium_moisture(t, relative_humidity=rh)

    air = ("--emc", "--temperature", "21.1", "--humidity", "65")
    by_air, by_humidity = (
        settles(21.6, 65) - settles(20.6, 65),
        settles(21.1, 65.5) - settles(21.1, 64.5),
    )
    for given, u_air, u_humidity in (((), 0.25, 1.0), (("--u-humidity", "5"), 0.25, 5.0)):
        expected = math.hypot(CURVE_UNCERTAINTY, u_air * by_air, u_humidity * by_humidity)
        spread = answer(*air, *given)["standard_uncertainty"]
        assert spread == pytest.approx(expected, rel=1e-3)


def test_a_dew_and_a_frost_point_are_as_uncertain_as_their_air_makes_them() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)  # psychrolib 2.5.0, slopes by its differences
    dew = psychrolib.GetTDewPointFromRelHum
    by_air = dew(25.5, 0.5) - dew(24.5, 0.5)
    by_humidity = dew(25.0, 0.505) - dew(25.0, 0.495)
    given = ("convert", "--dew-point", "--temperature", "25", "--humidity", "50", "--json")
    for options, u_air, u_humidity in (
        ((), 0.25, 1.0),
        (("--u-temperature", "0", "--u-humidity", "4"), 0.0, 4.0),
    ):
        told = json.loads(longsoak(*given, *options).stdout)[0]
        expected = math.hypot(u_air * by_air, u_humidity * by_humidity)
        assert told["standard_uncertainty"] == pytest.approx(expected, rel=0.02)
    cold = longsoak("convert", "--dew-point", "--temperature", "-10", "--humidity", "70", "--json")
    spread = {row["quantity"]: row["standard_uncertainty"] for row in json.loads(cold.stdout)}
    # Humidity counts over water here, so the reference library is asked by the vapour's pressure.
    vapour = vapour_pressure(-10.0, relative_humidity=70.0)
    frost = psychrolib.GetTDewPointFromVapPres
    by_humidity = frost(-10.0, vapour * 71 / 70) - frost(-10.0, vapour)
    by_air = frost(-10.0, vapour_pressure(-9.0, relative_humidity=70.0)) - frost(-10.0, vapour)
    expected = math.hypot(0.25 * by_air, by_humidity)
    assert spread["frost point"] == pytest.approx(expected, rel=0.03)
    assert "±" in longsoak(*given[:-1]).stdout.splitlines()[0]


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


def test_a_mould_index_goes_on_from_where_it_had_got_to(tmp_path: Path) -> None:
    damp = ("--mould", "--temperature", "22", "--humidity", "95", "--days")
    dry = ("--mould", "--temperature", "22", "--humidity", "50", "--days")
    state = tmp_path / "state.json"
    state.write_text(longsoak("convert", *damp, "28", "--json").stdout)
    wet = json.loads(state.read_text())["state"]
    assert wet == {
        "index": pytest.approx(3.2973, abs=0.005),  # as above
        "hours_since_growth": 0.0,
        "material": "very sensitive",
        "decline": "significant",
    }
    state.write_text(longsoak("convert", *dry, "2", "--json", "--state", state).stdout)
    kept = json.loads(state.read_text())["state"]
    # Ojanen et al. 2010, second hand: 0.032 a day for 6 h, nothing to 24 h, then 0.016 a day.
    assert kept["index"] == pytest.approx(wet["index"] - 0.032 / 4 - 0.016, abs=1e-9)
    assert kept["hours_since_growth"] == 48.0
    later = answer(*dry, "2", "--state", str(state))
    assert later["value"] == pytest.approx(kept["index"] - 2 * 0.016, abs=1e-9)
    # A file of spells ends in a state as well, and goes on from one.
    given = tmp_path / "air.csv"
    given.write_text("temperature_c,humidity_percent,hours\n22,50,24\n22,50,24\n")
    many = longsoak("convert", "--mould", "--csv", given, "--json", "--state", state).stdout
    assert json.loads(many)[-1]["answers"][0]["value"] == pytest.approx(later["value"], abs=1e-9)
    state.write_text(many)
    assert answer(*dry, "0", "--state", str(state))["value"] == pytest.approx(later["value"])


@pytest.mark.parametrize(
    ("decline", "share"),
    [("significant", 1.0), ("relatively significant", 0.5), ("almost none", 0.1)],
)
def test_a_mould_index_declines_by_its_class(tmp_path: Path, decline: str, share: float) -> None:
    # Ojanen et al. 2010, second hand: shares of what was found on wood.
    state = tmp_path / "state.json"
    kept = {"index": 3.0, "hours_since_growth": 24.0, "material": "sensitive", "decline": decline}
    state.write_text(json.dumps({"state": kept}))
    found = answer(
        *("--mould", "--temperature", "20", "--humidity", "40", "--days", "10"),
        *("--material", "sensitive", "--decline", decline, "--state", str(state)),
    )
    assert found["value"] == pytest.approx(3.0 - share * 0.16, abs=1e-9)
    assert f"decline {decline}." in str(found["note"])


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "is not JSON (Expecting value"),
        ("[" * 100_000, "is not JSON ("),
        ("{}", "holds no state of a mould index. Give what longsoak convert --mould --json"),
        ("[]", "holds no state of a mould index."),
        ('[{"answers": [3]}]', "holds no state of a mould index."),
        ('{"state": {"material": "resistant"}}', "with --material 'resistant', not 'very sensit"),
        (
            '{"state": {"material": "very sensitive", "decline": "almost none"}}',
            "was worked out with --decline 'almost none', not 'significant'. Go on with the same.",
        ),
        (
            '{"state": {"material": "very sensitive", "decline": "significant", "index": NaN}}',
            "index is nan, expected 0 to 6.",
        ),
        (
            '{"state": {"material": "very sensitive", "decline": "significant", "index": 1,'
            '"hours_since_growth": -1}}',
            "hours_since_growth is -1, expected 0 to 1e+09.",
        ),
        (None, "the file is unreadable (No such file or directory)"),
    ],
)
def test_a_state_that_can_not_be_gone_on_from_is_told(
    tmp_path: Path, content: str | None, says: str
) -> None:
    state = tmp_path / "state.json"
    if content is not None:
        state.write_text(content)
    air = ("--temperature", "22", "--humidity", "95", "--state", state)
    ended = longsoak("convert", "--mould", *air)
    assert ended.returncode == 2
    assert says in " ".join(ended.stderr.split())
    assert "Traceback" not in ended.stderr


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (
            "temperature_c\n20\n",
            "values.csv:1: resistance_ohm is missing, expected the columns resistance_ohm, "
            "temperature_c in the header. Add it.",
        ),
        ("", "values.csv:1: the file is empty, expected a header line"),
        ("temperature_c,resistance_ohm\n", "values.csv:1: the file is a header only"),
        (
            "temperature_c;resistance_ohm\n20,5;1e7\n",
            "values.csv:1: the header is kept apart by semicolons, expected commas",
        ),
        (  # once taken for 20 degC
            "resistance_ohm,temperature_c\n1e7,20,5\n",
            "values.csv:2: the line is 3 cells, expected 2, as in the header. Add or remove "
            "commas; a decimal mark must be a point.",
        ),
        (
            'temperature_c,resistance_ohm\n"20,5",1e7\n',
            "values.csv:2: temperature_c is '20,5', expected degrees Celsius, as a bare number. "
            "Write 20.5, with a point.",
        ),
        ("temperature_c,resistance_ohm\n20\n", "values.csv:2: the line is 1 cell, expected 2"),
        ("temperature_c,resistance_ohm\n20,\n", "values.csv:2: resistance_ohm is empty"),
        ("temperature_c,resistance_ohm\n20,nan\n", "values.csv:2: resistance_ohm is 'nan'"),
        ("temperature_c,resistance_ohm\ninf,1e7\n", "values.csv:2: temperature_c is 'inf'"),
        ("temperature_c,resistance_ohm\n20,1_000\n", "values.csv:2: resistance_ohm is '1_000'"),
        (  # once the last of the two was taken
            "resistance_ohm,temperature_c,resistance_ohm\n1e7,20,2e7\n",
            "values.csv:1: resistance_ohm is there twice",
        ),
        (
            "resistance_ohm,temperature_c,note,note\n1e7,20,a,b\n",
            "values.csv:1: note is there twice",
        ),
        ('temperature_c,resistance_ohm\n20,"1e7\n', "values.csv:2: the line is not CSV"),
        ("temperature_c,resistance_ohm\n20,1e7\n20,wet\n", "values.csv:3: resistance_ohm is 'wet'"),
        ("temperature_c,resistance_ohm\n90,1e7\n", "values.csv:2: temperature_c is 90.0 degC"),
    ],
)
def test_a_bad_file_is_told_with_its_line(tmp_path: Path, content: str, says: str) -> None:
    given = tmp_path / "values.csv"
    given.write_text(content)
    ended = longsoak("convert", "--curve", FIR, "--csv", given)
    assert ended.returncode == 2
    assert says in ended.stderr


def test_all_mistakes_of_a_file_are_told_at_once(tmp_path: Path) -> None:
    given = tmp_path / "values.csv"
    given.write_text("temperature_c,resistance_ohm\n20,wet\n90,1e7\n20,1e7\n,\n20\n")
    ended = longsoak("convert", "--curve", FIR, "--csv", given)
    assert ended.stdout == ""
    assert [line.partition(" is ")[0].rpartition("/")[2] for line in ended.stderr.splitlines()] == [
        "values.csv:2: resistance_ohm",
        "values.csv:3: temperature_c",
        "values.csv:6: the line",
        "3 mistakes; nothing was converted.",
    ]


def test_what_a_file_says_beside_its_values_comes_back_unaltered(tmp_path: Path) -> None:
    given = tmp_path / "values.csv"
    given.write_bytes(
        b"\xef\xbb\xbftime, resistance_ohm ,temperature_c,note,,\r\n"
        b"2026-03-01,1.20e8,26.70,wet,,x\r\n"
    )
    ended = longsoak("convert", "--curve", FIR, "--csv", given)
    assert ended.returncode == 0, ended.stderr
    (row,) = csv.DictReader(io.StringIO(ended.stdout))
    given_columns = [
        "time",
        "resistance_ohm",
        "temperature_c",
        "given_note",
        "column 5",
        "column 6",
    ]
    assert list(row)[:6] == given_columns
    assert list(row.values())[:6] == ["2026-03-01", "1.20e8", "26.70", "wet", "", "x"]
    assert float(row["value"]) == pytest.approx(12.0, abs=1e-9)
    shown = json.loads(longsoak("convert", "--curve", FIR, "--csv", given, "--json").stdout)
    assert shown[0]["time"] == "2026-03-01"
    assert shown[0]["resistance_ohm"] == 1.2e8


def test_the_margin_of_a_surface_is_counted_from_the_reference_librarys_dew_point() -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)  # psychrolib 2.5.0, ASHRAE HOF 2017
    found = answer("--condensation", "--temperature", "25", "--humidity", "50", "--surface", "15")
    expected = 15.0 - psychrolib.GetTDewPointFromRelHum(25.0, 0.5)
    assert found["value"] == pytest.approx(expected, abs=0.02)
    assert found["unit"] == "K"
    # By differences of the same library: 1 % RH moves the dew point by 0.30 K, 1 K of air by 0.92.
    by_humidity = psychrolib.GetTDewPointFromRelHum(25.0, 0.505) - (15.0 - expected)
    by_air = psychrolib.GetTDewPointFromRelHum(25.5, 0.5) - (15.0 - expected)
    spread = math.hypot(0.25, 2 * 0.25 * by_air, 2 * by_humidity)
    assert found["standard_uncertainty"] == pytest.approx(spread, rel=0.02)
    wider = answer(
        *("--condensation", "--temperature", "25", "--humidity", "50", "--surface", "15"),
        *("--u-surface", "1.5", "--u-temperature", "0", "--u-humidity", "0"),
    )
    assert wider["standard_uncertainty"] == 1.5


@pytest.mark.parametrize(
    ("air", "surface", "words"),
    [
        (("25", "50"), "15", "(surface less dew point; below 0 water forms)"),
        (("25", "50"), "10", "condensation margin: -3.8"),
        (("25", "50"), "10", "(surface less dew point; water forms)"),
        (("-10", "70"), "-15", "(surface less frost point; rime forms)"),
    ],
)
def test_the_margin_says_what_would_form(air: tuple[str, str], surface: str, words: str) -> None:
    shown = longsoak(
        "convert", "--condensation", "--temperature", air[0], "--humidity", air[1],
        "--surface", surface,
    )  # fmt: skip
    assert shown.returncode == 0, shown.stderr
    assert words in shown.stdout


def test_margins_of_a_file_come_back_as_a_file(tmp_path: Path) -> None:
    given = tmp_path / "air.csv"
    given.write_text("surface_c,temperature_c,humidity_percent\n15,25,50\n10,25,50\n")
    ended = longsoak("convert", "--condensation", "--csv", given)
    values = [float(row["value"]) for row in csv.DictReader(io.StringIO(ended.stdout))]
    assert values[0] - values[1] == pytest.approx(5.0)


def test_a_humidity_that_looks_like_a_fraction_is_hinted_at(tmp_path: Path) -> None:
    ended = longsoak("convert", "--emc", "--temperature", "20", "--humidity", "0.65")
    says = "0.65 % RH is drier than any room. If 65 % was meant, write it so.\n"
    assert (ended.returncode, ended.stderr) == (0, says)
    given = tmp_path / "air.csv"
    given.write_text("temperature_c,humidity_percent\n20,0.5\n20,0.65\n")
    assert longsoak("convert", "--emc", "--csv", given).stderr == says
    given.write_text("temperature_c,humidity_percent\n20,0.5\n20,65\n")
    assert longsoak("convert", "--emc", "--csv", given).stderr == ""


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--curve", "Duglas-fir", "--resistance", "1e7"), 'Did you mean "Douglas-fir'),
        (("--curve", FIR, "--resistance", "1e7"), "Give --temperature as well"),
        (("--emc", "--temperature", "20"), "Give --humidity as well"),
        (("--emc", "--temperature", "200", "--humidity", "50"), "expected -1.1 to 60 degC"),
        (("--emc", "--mould"), "Say which"),
        (("--condensation", "--temperature", "20", "--humidity", "50"), "Give --surface as well"),
        (("--dew-point", "--temperature", "20", "--humidity", "0"), "is 0 %, expected more: such"),
        (("--emc", "--temperature", "20", "--humidity", "0,5"), "Write 0.5, with a point."),
        (("--emc", "--temperature", "nan", "--humidity", "50"), "'nan' is not degrees Celsius"),
        (("--emc", "--resistance", "1e7"), "--resistance changes nothing here. Leave it out."),
        (("--curve", FIR, "--humidity", "50"), "--humidity changes nothing here. Leave it out."),
        (("--dew-point", "--days", "3"), "--days changes nothing here. Leave it out."),
        (("--emc", "--csv", "x", "--temperature", "20"), "--temperature is for one value, and the"),
        ((*BY_FIR, "inf"), "'inf' is not a resistance in Ohm from 0 to 1e+40."),
        ((*BY_FIR, "12M"), "'12M' is not a resistance in Ohm from 0 to 1e+40. Write 1.2e+07."),
        ((*BY_FIR, "4.7 kOhm"), "Write 4700."),
        ((*BY_FIR, "100 GΩ"), "Write 1e+11."),
        ((*BY_FIR, "50 ohms"), "Write 50."),
        (("--dew-point", "--surface", "3"), "--surface changes nothing here. Leave it out."),
        (("--emc", "--decline", "significant"), "--decline changes nothing here. Leave it out."),
        (("--mould", "--u-humidity", "3"), "--u-humidity changes nothing here. Leave it out."),
        ((*BY_FIR, "1e7", "--accuracy", "5"), "'5' is not a share of the reading (0.01 is 1 %)"),
        ((*BY_FIR, "1e7", "--accuracy", "nan"), "'nan' is not a share of the reading"),
        ((*BY_FIR, "1e7", "--insulation", "0"), "'0' is not a resistance in Ohm from 1 to 1e+18."),
        ((*BY_FIR, "1e7", "--most", "-1"), "'-1' is not a resistance in Ohm from 1 to 1e+18."),
        ((), "Say which"),
    ],
)
def test_what_is_missing_or_out_of_range_ends_with_2(arguments: tuple[str, ...], says: str) -> None:
    arguments = arguments if arguments[:1] == ("convert",) else ("convert", *arguments)
    ended = longsoak(*arguments)
    assert ended.returncode == 2
    assert says in " ".join(ended.stderr.split())
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


def test_a_drawing_is_not_written_over_or_where_nothing_can_be(tmp_path: Path) -> None:
    drawing = tmp_path / "fir.svg"
    drawing.write_text("mine")
    ended = longsoak("curves", FIR, "--plot", drawing)
    assert ended.returncode == 2
    assert "is there already. Add --replace" in ended.stderr
    assert drawing.read_text() == "mine"
    assert longsoak("curves", FIR, "--plot", drawing, "--replace").returncode == 0
    assert drawing.read_text().startswith("<svg")
    ended = longsoak("curves", FIR, "--plot", tmp_path / "none" / "fir.svg")
    assert ended.returncode == 2
    assert ended.stderr.endswith("fir.svg can't be written: No such file or directory.\n")


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
    shown = longsoak("curves", "own", "--rig", rig_file).stdout
    assert "  uncertainty: from its fit, of 8 degrees of freedom\n" in shown
    assert "salts and alkali" in str(found["note"])
