"""`longsoak fit` as a user runs it: what it prints, writes, draws, refuses and ends with."""

import json
import random
import re
from pathlib import Path
from typing import cast
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

from cli.fitbench import SYNTHETIC, Bench, rows
from longsoak.cli.fit import fit
from longsoak.rigfile.load import parse
from longsoak.vocabulary.curve import Correction, Form, MadeFor
from rigfile.fake_kinds import HERE

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path, rows(SYNTHETIC))


def warnings(bench: Bench, *arguments: str) -> str:
    return "\n".join(cast(list[str], bench.json(*arguments)["warnings"]))


def test_it_prints_the_forms_the_coefficients_and_the_residuals(bench: Bench) -> None:
    ended = bench.run("--at", "1e5", "--at", "1e10", "--form", "power law")
    assert ended.exit_code == 0
    lines = ended.stdout.splitlines()
    for start in (
        "power law                             0.317           0.236  chosen",
        "double logarithm                      0.783           0.532",
        "logarithm of the logarithm in megohm  none            none   resistance is 2.1e+04 Ohm, "
        "expected more than 0.1 MOhm",
        "Power law: log10 u = a + b log10 R, at 20.0 °C",
        "  a = 2.30201, standard uncertainty 0.015",
        "  b = -0.225737, standard uncertainty 0.0024",
        "  covariance of a and b -3.438e-05, correlation -0.9800",
        "  residual s = 0.00928 in log10 u, 8 degrees of freedom, R² = 0.9991",
        "  holds from 2.9 to 21.8 %; a reading beyond is told as beyond",
        "100 kΩ         14.90  14.13 to 15.72  14.60 to 15.22",
        "10 GΩ           1.11  1.03 to 1.19    1.05 to 1.17    beyond the samples",
    ):
        assert start in lines
    assert sum(line.startswith("P") and "Ω" in line for line in lines) == len(SYNTHETIC)


def test_without_a_wish_it_predicts_over_what_was_measured(bench: Bench) -> None:
    predictions = cast(list[dict[str, object]], bench.json()["predictions"])
    assert len(predictions) == 5
    assert predictions[0]["resistance"] == 2.1e4
    assert predictions[-1]["resistance"] == 1.6e8


def test_a_curve_file_is_the_curve_that_was_fitted(bench: Bench) -> None:
    form = ("--form", "power law")
    ended = bench.run("--out", "hemp.curve.toml", "--name", "hemp", "--material", "mineral", *form)
    assert ended.exit_code == 0
    told = bench.json(*form)
    made = bench.curve("hemp.curve.toml")
    assert made.name == "hemp"
    assert made.form is Form.POWER
    assert made.made_for is MadeFor.MINERAL
    assert made.correction is Correction.NONE
    assert list(made.coefficients) == told["coefficients"]
    assert [list(row) for row in made.covariance or ()] == told["covariance"]
    assert made.residual == told["residual"]
    assert made.freedom == told["degrees_of_freedom"] == 8
    assert made.per_kelvin_uncertainty == 0.0
    assert (made.lowest, made.highest, made.reference_temperature) == (2.9, 21.8, 20.0)
    assert made.source == "fitted by ordinary least squares to samples.csv"
    assert made.fitted_on == (
        "10 pairs at 10 moisture steps, 21 kΩ to 160 MΩ, 20.0 to 20.0 °C, drying and wetting"
    )


def test_the_choice_of_the_form_is_paid_for_and_a_named_form_is_not(bench: Bench) -> None:
    chosen, named = bench.json(), bench.json("--form", "power law")
    assert chosen["form"] == named["form"] == "power law"
    assert chosen["coefficients"] == named["coefficients"]
    assert (chosen["degrees_of_freedom"], named["degrees_of_freedom"]) == (7.2, 8)
    assert cast(float, chosen["residual"]) ** 2 * 7.2 == pytest.approx(
        cast(float, named["residual"]) ** 2 * 8
    )
    says = (
        "  choosing the form took 0.8 degrees of freedom; one known beforehand (--form) takes none"
    )
    assert says in bench.run().stdout.splitlines()
    assert says not in bench.run("--form", "power law").stdout
    bench.run("--out", "own.toml", "--material", "wood")
    assert bench.curve("own.toml").freedom == 7.2


@pytest.mark.parametrize("kelvin", [0.0, 10.0])
@pytest.mark.parametrize("form", [form.value for form in Form if form is not Form.TABLE])
def test_a_rig_file_takes_the_table_as_it_is(tmp_path: Path, form: str, kelvin: float) -> None:
    bench = Bench(tmp_path, rows([(ohm * 100, u) for ohm, u in SYNTHETIC], kelvin=kelvin))
    ended = bench.run("--out", "own.toml", "--form", form, "--material", "mineral")
    assert ended.exit_code == 0
    rig = (HERE / "good.toml").read_text() + (tmp_path / "own.toml").read_text()
    parse(rig, file="rig.toml", find_kind=None)  # refuses any key or value it doesn't know


@pytest.mark.parametrize("form", ["power law", "double logarithm"])
def test_a_temperature_effect_goes_into_the_file(tmp_path: Path, form: str) -> None:
    bench = Bench(tmp_path, rows(SYNTHETIC, kelvin=10.0))
    ended = bench.run("--out", "own.toml", "--form", form, "--material", "wood")
    assert ended.exit_code == 0
    made = bench.curve("own.toml")
    assert made.correction is Correction.RESISTANCE
    told = bench.json("--form", form)
    assert made.per_kelvin == told["per_kelvin"]
    assert made.per_kelvin_uncertainty == told["per_kelvin_uncertainty"] != 0.0
    assert made.per_kelvin_covariance != (0.0, 0.0)
    assert made.freedom == 7
    assert made.per_kelvin == pytest.approx(0.03, abs=0.02)
    assert made.reference_temperature == 25.0


def test_a_given_shift_has_an_uncertainty(bench: Bench) -> None:
    out = ("--out", "own.toml", "--material", "wood", "--replace", "--per-kelvin", "0.03")
    assert bench.run(*out).exit_code == 0
    assert bench.curve("own.toml").per_kelvin_uncertainty == 0.005
    shown = bench.run(*out, "--u-per-kelvin", "0.01").stdout
    assert bench.curve("own.toml").per_kelvin_uncertainty == 0.01
    assert "  log10 R per kelvin: 0.03, standard uncertainty 0.01, given" in shown.splitlines()
    told = bench.json("--per-kelvin", "0.03", "--u-per-kelvin", "0.01")
    assert told["per_kelvin_uncertainty"] == 0.01


def test_no_shift_at_all_has_no_uncertainty(bench: Bench) -> None:
    assert bench.json("--per-kelvin", "0")["per_kelvin_uncertainty"] == 0.0


def test_a_given_shift_and_reference_are_taken(tmp_path: Path) -> None:
    bench = Bench(tmp_path, rows(SYNTHETIC, kelvin=10.0))
    told = bench.json("--per-kelvin", "0.03", "--reference-temperature", "20")
    assert told["per_kelvin"] == 0.03
    assert told["per_kelvin_is"] == "given"
    assert told["reference_temperature"] == 20.0
    # At 20 degC every pair is back where it was before it was warmed.
    assert told["coefficients"] == pytest.approx((2.302014, -0.2257373), abs=1e-5)


def test_the_third_form_is_fitted_where_resistances_are_high_enough(tmp_path: Path) -> None:
    bench = Bench(tmp_path, rows([(ohm * 100, u) for ohm, u in SYNTHETIC]))
    form = "logarithm of the logarithm in megohm"
    ended = bench.run("--form", form, "--material", "wood", "--out", "own.toml")
    assert ended.exit_code == 0
    assert "fitted as u over its left side" in ended.stdout
    made = bench.curve("own.toml")
    assert made.form is Form.MEGOHM_LOG
    assert made.uncertainty > cast(float, bench.json("--form", form)["residual"])


def test_a_form_that_does_not_hold_ends_with_1(bench: Bench) -> None:
    ended = bench.run("--form", "logarithm of the logarithm in megohm")
    assert ended.exit_code == 1
    assert ended.stderr == (
        "No curve: logarithm of the logarithm in megohm: resistance is 2.1e+04 Ohm, expected more "
        "than 0.1 MOhm.\n"
    )


def test_good_samples_give_no_warning_but_of_one_temperature(bench: Bench) -> None:
    assert warnings(bench) == (
        "The temperatures spread less than 3 K, so no correction was found: the curve holds near "
        "20.0 °C. Give --per-kelvin if you know it."
    )
    assert warnings(bench, "--per-kelvin", "0.03") == ""


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (rows(SYNTHETIC[:9]), "Only 9 pairs; 10 or more are usual."),
        (
            rows([(r * f, u) for r, u in SYNTHETIC[::3] for f in (1.0, 1.03, 0.98)]),
            "Only 4 moisture steps; 5 or more are usual, spread over the range the curve is for.",
        ),
        (
            rows(SYNTHETIC, branch=False),
            "Whether the samples were wetting or drying is not said.",
        ),
        (
            rows(SYNTHETIC).replace("wetting", "drying"),
            "No sample but of the drying branch: the other one may differ (hysteresis).",
        ),
        (  # the leverage, and below the deviation, computed with numpy
            rows([*SYNTHETIC, (4e11, 0.55)]),
            "P11 carries much of the curve by itself: its leverage is 0.68, above 0.55. "
            "Add pairs near it.",
        ),
        (
            rows([(r, 6.6 if u == 8.0 else u) for r, u in SYNTHETIC]),
            "P6 lies 8.7 standard deviations off the curve of the others, where chance leaves up "
            "to 4.0. Measure it again",  # scipy: t of 7 degrees at 1 - 0.05/20
        ),
        (
            rows(SYNTHETIC[:5], kelvin=10.0),
            "The temperatures spread from 20.0 to 30.0 °C and nothing corrects for it: fewer than "
            "6 pairs. Measure at one temperature, or give --per-kelvin.",
        ),
        (
            rows(SYNTHETIC).replace(",20,", ",-4,"),
            "Some samples were below 0 °C. Frozen ones can't be measured this way.",
        ),
    ],
)
def test_what_to_be_wary_of_is_said_and_ends_with_0(tmp_path: Path, text: str, says: str) -> None:
    bench = Bench(tmp_path, text)
    assert says in warnings(bench)
    assert says in bench.run().stdout
    assert bench.run().exit_code == 0


def test_temperatures_that_follow_the_resistances_are_not_fitted(tmp_path: Path) -> None:
    lines = [f"{r},{12 + 2 * n},{u}" for n, (r, u) in enumerate(SYNTHETIC)]
    bench = Bench(tmp_path, "\n".join(["resistance_ohm,temperature_c,moisture_percent", *lines]))
    assert "nothing corrects for it: they change together with the resistances" in warnings(bench)
    assert bench.json()["per_kelvin"] is None


def test_a_shift_of_the_wrong_sign_is_told(tmp_path: Path) -> None:
    pairs = [(r * 10 ** (0.05 * 10 * (n % 2)), u) for n, (r, u) in enumerate(SYNTHETIC)]
    bench = Bench(tmp_path, rows(pairs, kelvin=10.0))
    assert "per kelvin has the wrong sign: these warm samples conduct worse" in warnings(bench)
    ended = bench.run("--out", "own.toml", "--material", "wood")
    assert ended.exit_code == 1
    assert not (tmp_path / "own.toml").exists()
    assert bench.run("--per-kelvin", "0.03").exit_code == 0


def test_a_shift_that_may_be_none_is_told(tmp_path: Path) -> None:
    pairs = [(r * 10 ** (0.03 * 4 * (n % 2)), u) for n, (r, u) in enumerate(SYNTHETIC)]
    bench = Bench(tmp_path, rows(pairs, kelvin=4.0))
    assert "per kelvin can't be told from none" in warnings(bench)
    assert bench.run().exit_code == 0


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        (SYNTHETIC[::4], "Only 3 pairs: a curve takes 4, and 10 are usual."),
        (
            [(r, 25.0 - u) for r, u in SYNTHETIC],
            "Moisture rises with resistance, so this is no curve.",
        ),
        (
            [(r, 20.0 - (n * 7 % 5)) for n, (r, _) in enumerate(SYNTHETIC)],
            "The scatter is so wide that moisture may not depend on resistance at all.",
        ),
    ],
)
def test_a_curve_not_to_be_used_ends_with_1_and_is_not_written(
    tmp_path: Path, pairs: list[tuple[float, float]], says: str
) -> None:
    bench = Bench(tmp_path, rows(pairs))
    ended = bench.run("--out", "own.toml", "--material", "wood", "--plot", "own.svg")
    assert ended.exit_code == 1
    assert says in ended.stdout
    assert ended.stderr.endswith("own.toml was not written: the curve is not to be used.\n")
    assert not (tmp_path / "own.toml").exists()
    assert (tmp_path / "own.svg").exists()  # to see why
    assert bench.json()["usable"] is False


def test_fractions_are_not_taken_for_per_cent(tmp_path: Path) -> None:
    bench = Bench(tmp_path, rows([(r, u / 100) for r, u in SYNTHETIC]))
    says = "All moistures are 0.218 % or less"
    for material in ((), ("--material", "wood")):
        ended = bench.run(*material)
        assert ended.exit_code == 1
        assert f"{says}, which looks like fractions: write 21.8 for 21.8 %." in ended.stdout
    ended = bench.run("--material", "mineral")  # as dry as plaster may be
    assert ended.exit_code == 0
    assert f"{says}. Make sure they are no fractions." in ended.stdout
    weighed = [f"{r},20,{1000 + u / 10},1000" for r, u in SYNTHETIC]
    dry = Bench(tmp_path, "\n".join(["resistance_ohm,temperature_c,wet_g,dry_g", *weighed]))
    assert says not in dry.run().stdout


def test_swapped_columns_are_asked_about(tmp_path: Path) -> None:
    draws = random.Random(3)  # noqa: S311 - no secret
    lines = [f"{r},{u},{20 + draws.gauss(0, 0.4):.2f}" for r, u in SYNTHETIC]
    head = "resistance_ohm,temperature_c,moisture_percent"
    bench = Bench(tmp_path, "\n".join([head, *lines]))
    ended = bench.run()
    assert ended.exit_code == 1
    assert "Are temperature_c and moisture_percent swapped?" in ended.stdout


def test_branches_on_two_lines_are_told(tmp_path: Path) -> None:
    apart = [(r * (3.0 if n % 2 else 1.0), u) for n, (r, u) in enumerate(SYNTHETIC)]
    says = "Wetting and drying samples lie on two lines (F test, p = "
    assert says in warnings(Bench(tmp_path, rows(apart)))
    assert says not in warnings(Bench(tmp_path, rows(SYNTHETIC)))


def test_a_curve_that_no_rig_file_would_take_is_not_to_be_used(tmp_path: Path) -> None:
    # So shallow that 10 %, which one sample had, would lie at 1e19 Ohm.
    across = [4.0 + 4.0 * n / 59.0 for n in range(60)]
    pairs = [(10.0**x, round(20.0 * 10 ** (-0.02 * (x - 4.0)), 3)) for x in across]
    bench = Bench(tmp_path, rows([*pairs, (1e6, 10.0)]))
    ended = bench.run("--out", "own.toml", "--material", "wood", "--form", "power law")
    assert ended.exit_code == 1
    assert "Its own ends lie beyond what any meter reads" in ended.stdout
    assert not (tmp_path / "own.toml").exists()


def test_temperatures_that_no_shift_explains_are_told_with_the_way_out(tmp_path: Path) -> None:
    text = "resistance_ohm,temperature_c,moisture_percent\n" + "\n".join(
        ("7e4,5,24", "2e4,20,5", "2e4,0,24", "2e4,22,7", "5e6,0,24", "3e4,22,18")
    )
    ended = Bench(tmp_path, text).run("--form", "double logarithm")
    assert ended.exit_code == 1
    assert ended.stderr == (
        "No curve: double logarithm: shift per kelvin is not to be found in these pairs, expected "
        "one between -1 and 1.\nGive the shift with --per-kelvin; 0 is none.\n"
    )


def test_one_reason_for_all_forms_is_told_once(tmp_path: Path) -> None:
    ended = Bench(tmp_path, rows([(ohm, 9.0) for ohm, _ in SYNTHETIC])).run()
    assert ended.exit_code == 1
    assert ended.stderr == "No curve: moisture is 9 % in every pair, expected several.\n"


def test_two_pairs_make_no_line(tmp_path: Path) -> None:
    ended = Bench(tmp_path, rows(SYNTHETIC[:2])).run()
    assert ended.exit_code == 1
    assert "number of pairs is 2, expected at least 3" in ended.stderr


def test_mistakes_in_the_samples_end_with_2(tmp_path: Path) -> None:
    bench = Bench(tmp_path, "resistance_ohm,temperature_c,moisture_percent\nx,20,9\n1e6,y,9\n")
    ended = bench.run()
    assert ended.exit_code == 2
    assert ended.stdout == ""
    assert len(ended.stderr.splitlines()) == 3
    assert ended.stderr.endswith("2 mistakes; nothing was fitted.\n")


def test_nothing_is_written_over_unless_asked(bench: Bench) -> None:
    first = ("--out", "own.toml", "--plot", "own.svg", "--material", "wood")
    assert bench.run(*first).exit_code == 0
    before = (bench.folder / "own.toml").read_text()
    ended = bench.run(*first, "--form", "double logarithm")
    assert ended.exit_code == 2
    assert "own.toml is there already. Add --replace to write over it." in ended.stderr
    assert (bench.folder / "own.toml").read_text() == before
    assert bench.run(*first, "--form", "double logarithm", "--replace").exit_code == 0
    assert bench.curve("own.toml").form is Form.DOUBLE_LOG
    assert sorted(path.name for path in bench.folder.iterdir()) == [
        "own.svg",
        "own.toml",
        "samples.csv",
    ]


def test_a_link_that_points_nowhere_is_not_written_through(bench: Bench) -> None:
    (bench.folder / "own.toml").symlink_to(bench.folder / "elsewhere.toml")
    ended = bench.run("--out", "own.toml", "--material", "wood")
    assert ended.exit_code == 2
    assert ended.stderr.endswith("own.toml can't be written: File exists.\n")
    assert not (bench.folder / "elsewhere.toml").exists()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--out", "own.toml"), "Add --material wood or --material mineral."),
        (("--out", "samples.csv", "--material", "wood", "--replace"), "must be different files."),
        (("--plot", "a.x", "--out", "a.x", "--material", "wood"), "must be different files."),
        (("--name", "two\nlines"), "is not 1 to 60 characters on one line."),
        (("--name", "Douglas-fir (coast)"), "A curve 'Douglas-fir (coast)' ships already."),
        (("--at", "nan"), "'nan' is not a resistance in Ohm from 1.1 to 1e+15."),
        (("--at", "0"), "'0' is not a resistance in Ohm from 1.1 to 1e+15."),
        (("--at", "1,5e6"), "from 1.1 to 1e+15. Write 1.5e6, with a point."),
        (("--at", "1_000"), "'1_000' is not a resistance in Ohm"),
        (("--per-kelvin", "-1"), "'-1' is not a number from 0 to 1."),
        (("--u-per-kelvin", "0.01"), "--u-per-kelvin changes nothing without --per-kelvin."),
        (("--reference-temperature", "99"), "'99' is not degrees Celsius from -20 to 50."),
        (("--form", "table"), "is not one of"),
        (("--plot", "none/own.svg"), "own.svg can't be written: No such file or directory."),
    ],
)
def test_a_request_that_can_not_be_met_ends_with_2(
    bench: Bench, arguments: tuple[str, ...], says: str
) -> None:
    ended = bench.run(*arguments)
    assert ended.exit_code == 2
    assert says in " ".join(ended.stderr.split())
    assert [path.name for path in bench.folder.iterdir()] == ["samples.csv"]


def test_mineral_materials_come_with_a_caution_and_wood_without(bench: Bench) -> None:
    caution = "Salts and the alkali of lime and cement conduct like water does"
    assert caution in bench.run("--material", "mineral").stdout
    assert caution in bench.run().stdout  # nobody said that it is wood
    assert caution not in bench.run("--material", "wood").stdout
    bench.run("--material", "mineral", "--out", "own.toml")
    assert caution in (bench.folder / "own.toml").read_text()


def test_given_moisture_is_reminded_of_its_basis_and_weighed_moisture_is_not(
    tmp_path: Path, bench: Bench
) -> None:
    assert "Moisture counts as % of the oven-dry mass." in bench.run().stdout
    lines = [f"{r},20,{100 + u},100" for r, u in SYNTHETIC]
    weighed = Bench(tmp_path, "\n".join(["resistance_ohm,temperature_c,wet_g,dry_g", *lines]))
    assert "Moisture counts as % of the oven-dry mass." not in weighed.run().stdout


def test_a_coarse_balance_is_told(tmp_path: Path) -> None:
    lines = [f"{r},20,{10 + u / 10},10" for r, u in SYNTHETIC]
    bench = Bench(tmp_path, "\n".join(["resistance_ohm,temperature_c,wet_g,dry_g", *lines]))
    fine, coarse = bench.json("--balance", "0.001"), bench.json("--balance", "0.05")
    says = "Weighing alone leaves a standard uncertainty of up to"
    assert f"{says} 0.016 % MC." in cast(list[str], fine["notes"])
    assert f"{says} 0.79 % MC, much of the scatter of 0.24 %: weigh larger samples." in cast(
        list[str], coarse["warnings"]
    )


def test_the_json_holds_no_number_that_json_lacks(tmp_path: Path) -> None:
    # One resistance stands alone: without it no line can be drawn, so it has no left-out error.
    bench = Bench(tmp_path, rows([(1e6, 12.0), (1e6, 12.5), (1e6, 11.8), (1e7, 9.0)]))
    ended = bench.run("--json")
    told = json.loads(ended.stdout, parse_constant=pytest.fail)
    assert told["left_out_error"] is None


def test_many_residuals_are_cut_to_the_largest(tmp_path: Path) -> None:
    many = [(r * (1 + n / 500), u) for n in range(6) for r, u in SYNTHETIC]
    bench = Bench(tmp_path, rows(many))
    lines = bench.run().stdout.splitlines()
    assert "Residuals, measured less curve, % MC: the 40 largest" in lines
    assert sum(line.startswith("P") and "Ω" in line for line in lines) == 40
    assert len(cast(list[object], bench.json()["residuals"])) == 60


def test_many_pairs_that_stand_out_are_cut_to_the_worst(tmp_path: Path) -> None:
    draws = random.Random(5)  # noqa: S311 - no secret
    pairs = [(10 ** draws.gauss(6.75, 0.7), draws.gauss(0, 0.01)) for _ in range(400)]
    bench = Bench(tmp_path, rows([*((r, 200 * r**-0.22 * 10**off) for r, off in pairs), (1e6, 20)]))
    told = warnings(bench).splitlines()
    single = [says for says in told if "leverage is" in says or "standard deviations" in says]
    assert len(single) == 10
    assert any("standard deviations off" in says and "P401" in says for says in single)
    assert any(re.fullmatch(r"\d+ more pairs stand out by leverage or residual.*", s) for s in told)


def test_the_drawing_shows_every_pair_twice_where_it_lies(bench: Bench) -> None:
    bench.run("--plot", "own.svg", "--name", "hemp & lime <1>")
    root = ElementTree.fromstring((bench.folder / "own.svg").read_text())  # noqa: S314  # our own
    title = root.find(f"{SVG}title")
    assert title is not None
    assert title.text == "hemp & lime <1>: power law, 10 pairs"
    circles = [c for c in root.iter(f"{SVG}circle") if c.get("class") == "pair"]
    above, below = circles[:10], circles[10:]
    assert len(circles) == 20
    assert [c.get("cx") for c in above] == [c.get("cx") for c in below]
    across = [float(c.get("cx", "nan")) for c in above]
    down = [float(c.get("cy", "nan")) for c in above]
    assert across == sorted(across)  # resistance rises to the right
    assert down == sorted(down)  # and moisture falls
    # Straight in moisture: 21.8, 12.2 and 2.9 % keep their distances.
    assert (down[3] - down[0]) / (down[9] - down[0]) == pytest.approx(9.6 / 18.9, abs=1e-3)
    # A positive residual lies above the line it is measured from.
    zero = next(line for line in root.iter(f"{SVG}line") if line.get("stroke") == "#185a95")
    level = float(zero.get("y1", "nan"))
    residuals = cast(list[dict[str, float]], bench.json()["residuals"])
    for circle, told in zip(below, residuals, strict=True):
        off = told["moisture"] - told["curve"]
        assert (float(circle.get("cy", "nan")) < level) == (off > 0)


def test_the_drawing_marks_what_wants_a_look_by_shape_and_name(tmp_path: Path) -> None:
    bench = Bench(tmp_path, rows([(r, 6.6 if u == 8.0 else u) for r, u in SYNTHETIC]))
    bench.run("--plot", "own.svg")
    root = ElementTree.fromstring((tmp_path / "own.svg").read_text())  # noqa: S314  # our own
    marked = [p for p in root.iter(f"{SVG}path") if p.get("class") == "pair"]
    assert {p.findtext(f"{SVG}title") for p in marked} == {"P6"}
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert words.count("P6") == 2
    assert "wants a look" in words


def test_help_shows_an_example() -> None:
    shown = CliRunner().invoke(fit, ["--help"], prog_name="longsoak fit")
    assert "Example: longsoak fit samples.csv" in shown.stdout
