"""`longsoak uptake` as a user runs it; the physics is checked in tests/reference/test_uptake.py."""

import json
from math import sqrt
from pathlib import Path
from typing import cast

import pytest
from click.testing import CliRunner, Result

from longsoak.cli.uptake import BACKWARDS, LINE_ONLY, RULES, uptake
from processes import longsoak

# Computed: 0.1 kg/(m2 s^0.5) into 60 mm of a material that holds 180 kg/m3 is full after 3.24 h at
# 10.8 kg/m2. On 100 mm by 100 mm that is 1 g for each 0.1 kg/m2.
KNEE = [
    ("5", 1.7321), ("20", 3.4641), ("60", 6.0), ("120", 8.4853), ("240", 10.8), ("480", 10.8),
    ("1440", 10.8),
]  # fmt: skip


def text(pairs: list[tuple[str, float]], *, dry: float | None = 1000.0) -> str:
    rows = [f"{minutes},{1000.0 + 10.0 * gain:.4f}" for minutes, gain in pairs]
    start = [] if dry is None else [f"0,{dry}"]
    return "\n".join(["time_min,mass_g", *start, *rows]) + "\n"


def run(folder: Path, content: str, *arguments: str) -> Result:
    (folder / "tile.csv").write_text(content)
    return CliRunner().invoke(uptake, [str(folder / "tile.csv"), "--area", "10000", *arguments])


def answer(folder: Path, content: str, *arguments: str) -> dict[str, dict[str, object]]:
    ended = run(folder, content, "--json", *arguments)
    found = json.loads(ended.stdout, parse_constant=pytest.fail)
    return cast(dict[str, dict[str, object]], found)


def test_the_coefficient_comes_from_before_the_knee(tmp_path: Path) -> None:
    found = answer(tmp_path, text(KNEE))["absorption_coefficient"]
    assert found["value"] == pytest.approx(0.1, abs=5e-6)
    assert found["used"] == [1, 2, 3, 4]
    assert found["course"] == "straight up to a knee"
    ended = run(tmp_path, text(KNEE))
    assert ended.exit_code == 0
    lines = ended.stdout.splitlines()
    assert lines[0].endswith(
        "tile.csv: 7 weighings after one of 1000 g at the start, on a face of 10000 mm²."
    )
    assert "  W_w = 6.000 kg/(m² h^0.5)" in lines
    assert "2 h      84.9  8.485  yes" in lines
    assert "4 h     120.0  10.80" in lines
    assert [line for line in lines if line.startswith("  secondary")] == [
        "  secondary cannot be determined: 1 weighing from 1 day to 7 days, at least 4 needed"
    ]
    assert lines[-2:] == [RULES, LINE_ONLY]


def test_both_rates_of_the_other_standard_are_told(tmp_path: Path) -> None:
    # 0.012 mm/s^0.5 in the first 6 h and 0.002 from day 1 on, put in; ASTM C1585's times, from
    # memory.
    early = [60.0, 300.0, 600.0, 1200.0, 1800.0, *(3600.0 * h for h in range(1, 7))]
    late = [86400.0 * d for d in range(1, 8)]
    gains = [0.1 + 0.012 * sqrt(t) for t in early] + [1.6 + 0.002 * sqrt(t) for t in late]
    rows = [f"{1000.0 + 10.0 * gain!r},{t!r}" for t, gain in zip(early + late, gains, strict=True)]
    content = "\n".join(["mass_g,time_s", *rows])
    found = answer(tmp_path, content, "--dry", "1000")
    assert found["initial_rate"]["value"] == pytest.approx(0.012)
    assert found["secondary_rate"]["value"] == pytest.approx(0.002)
    assert found["secondary_rate"]["used"] == list(range(12, 19))


def test_thousands_of_weighings_are_cut_to_a_readable_few(tmp_path: Path) -> None:
    minutes = range(1, 3001)  # two days, full after 3.24 h
    pairs = [(str(m), min(0.1 * sqrt(60.0 * m), 10.8)) for m in minutes]
    ended = run(tmp_path, text(pairs))
    assert ended.exit_code == 0
    lines = ended.stdout.splitlines()
    head = next(place for place, line in enumerate(lines) if line.startswith("40 of 3000 w"))
    assert lines[head + 2 : head + 43].index("") == 40
    found = answer(tmp_path, text(pairs))["absorption_coefficient"]
    assert found["value"] == pytest.approx(0.1, rel=0.002)
    used = cast(list[int], found["used"])
    assert used == list(range(1, len(used) + 1))
    assert used[-1] == pytest.approx(194.4, rel=0.03)  # min, computed: 11664 s


def test_no_figure_at_all_ends_with_1(tmp_path: Path) -> None:
    ended = run(tmp_path, text([("5", 0.0), ("20", -0.1), ("60", -0.1), ("120", -0.2)]))
    assert ended.exit_code == 1
    assert "  none: no uptake found: the specimen took up no water" in ended.stdout
    assert BACKWARDS in ended.stdout


LINE = [(str(t), 0.05 + 0.1 * sqrt(60 * t)) for t in (5, 20, 60, 120, 240, 480, 1440)]


def test_masses_in_kilograms_are_told(tmp_path: Path) -> None:
    rows = [f"{t},{1.0 + gain / 100:.6f}" for t, gain in LINE]
    ended = run(tmp_path, "\n".join(["time_min,mass_g", "0,1.0", *rows]))
    assert ended.exit_code == 1
    assert "- 1 g on 10000 mm² would be a film, not a specimen. Are the masses in kg?" in (
        ended.stdout
    )


def test_an_area_in_square_centimetres_is_told(tmp_path: Path) -> None:
    ended = run(tmp_path, text([(t, gain / 10) for t, gain in LINE]), "--area", "100")
    assert ended.exit_code == 1
    assert "- 1000 g on 100 mm² would stand more than 1 m high. Is the area in cm²?" in ended.stdout


def test_hours_and_minutes_called_seconds_are_told(tmp_path: Path) -> None:
    hours = "\n".join(
        ["time_s,mass_g", "0,1000", *(f"{int(t) / 60:.5f},{1000 + 10 * g:.3f}" for t, g in LINE)]
    )
    ended = run(tmp_path, hours)
    assert ended.exit_code == 1
    assert (
        "kg/(m² s^0.5) is more than common materials have. Look at the units of time: all "
        "weighings lie within 24 s."
    ) in ended.stdout
    minutes = run(tmp_path, text(LINE).replace("time_min", "time_s"))
    assert minutes.exit_code == 0  # as fast as few materials are
    assert "All weighings lie within 1440 s. Are the times in minutes, or hours?" in minutes.stdout
    assert "To be wary of" not in run(tmp_path, text(LINE)).stdout


def test_next_to_no_uptake_and_too_much_are_told(tmp_path: Path) -> None:
    content = "\n".join(
        ["time_min,mass_g", "0,1000", *(f"{t},{1000 + (g - 0.05) / 1500:.7f}" for t, g in LINE)]
    )
    found = answer(tmp_path, content)
    assert not found["usable"]
    (says,) = cast(list[str], found["warnings"])
    assert says.endswith("is less than common materials have. Look at the units of mass and area.")
    full = run(tmp_path, text(LINE, dry=None), "--dry", "20")
    assert full.exit_code == 1
    assert "times its own dry mass, which no specimen of that height can hold." in full.stdout


def test_one_weighing_far_off_is_told(tmp_path: Path) -> None:
    slip = [(t, gain - 3.0 if t == "120" else gain) for t, gain in LINE]
    ended = run(tmp_path, text(slip))
    assert ended.exit_code == 0
    assert "- Weighing 4, of 5.535 kg/m² after 7200 s, lies far off the line of the others." in (
        ended.stdout
    )


def test_hours_a_byte_order_mark_and_windows_line_ends_are_taken(tmp_path: Path) -> None:
    rows = [f"{float(minutes) / 60!r},{1000.0 + 10.0 * gain!r}" for minutes, gain in KNEE]
    content = "\r\n".join(["\ufefftime_h , mass_g,remark", "0,1000,x", *(f"{r},x" for r in rows)])
    found = answer(tmp_path, content)
    assert found["absorption_coefficient"]["value"] == pytest.approx(0.1, abs=5e-6)
    assert "Columns that are not used: remark." in cast(list[str], found["notes"])


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "tile.csv:1: the file is empty, expected a header line, then a line for each"),
        ("time_min,mass_g\n", "tile.csv:1: the file is a header only, expected a header line"),
        (
            "time_min;mass_g\n0;1000,5\n",
            "tile.csv:1: the header is kept apart by semicolons, expected commas between the "
            "columns. Save the file with commas between, and with points in the numbers.",
        ),
        ("minutes,mass_g\n1,2\n", "tile.csv:1: the time is missing, expected one of the columns"),
        ("time_min,mass\n1,2\n", "tile.csv:1: mass_g is missing, expected the columns time_min"),
        (
            "time_min,mass_kg\n1,2\n",
            "in the header. If mass_kg is that, convert it to g and name it mass_g.",
        ),
        (
            "time_min,time_s,mass_g\n1,60,2\n",
            "tile.csv:1: time_min is there beside time_s, expected one column of times.",
        ),
        (
            "time_min,mass_g\n0,1000\n5,nan\n",
            "tile.csv:3: mass_g is 'nan', expected a mass in g above 0 and up to 1e7, as a bare "
            "number. Write for example 1012.4.",
        ),
        ("time_min,mass_g\n-5,1\n", "tile.csv:2: time_min is '-5', expected a time in min since"),
        ("time_min,mass_g\n5,1000,5\n", "tile.csv:2: the line is 3 cells, expected 2, as in the"),
        (
            'time_min,mass_g\n"0,5",1000\n',
            "tile.csv:2: time_min is '0,5', expected a time in min since it met the water, as a "
            "bare number. Write 0.5, with a point.",
        ),
        (
            "time_min,mass_g\n0,1000\n20,1010\n5,1020\n",
            "tile.csv:4: time_min is 5, expected more than 20, the time in line 3. Put the "
            "weighings in order, each time once.",
        ),
    ],
)
def test_a_mistake_is_told_by_line_and_column(tmp_path: Path, content: str, says: str) -> None:
    ended = run(tmp_path, content)
    assert ended.exit_code == 2
    assert ended.stdout == ""
    assert says in ended.stderr
    assert ended.stderr.endswith("nothing was worked out.\n")


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    ended = run(tmp_path, "time_min,mass_g\n0,x\ny,1000\n5,1000\n5,1001\n")
    assert [line.partition(" is ")[0].rpartition("/")[2] for line in ended.stderr.splitlines()] == [
        "tile.csv:2: mass_g",
        "tile.csv:3: time_min",
        "tile.csv:5: time_min",
        "3 mistakes; nothing was worked out.",
    ]


@pytest.mark.parametrize(
    ("arguments", "dry", "says"),
    [
        ((), None, "has no weighing at time 0. Give the mass before the face met the water with"),
        (("--dry", "1000"), 1000.0, "has a weighing at time 0 already. Leave --dry out, or that"),
        (("--dry", "nan"), None, "'nan' is not a mass in g from 0 to 1e+07."),
        (("--area", "78,54"), 1000.0, "'78,54' is not an area in mm² from 100 to 1e+08."),
        (("--area", "0.01"), 1000.0, "'0.01' is not an area in mm² from 100 to 1e+08."),
    ],
)
def test_a_request_that_can_not_be_met_ends_with_2(
    tmp_path: Path, arguments: tuple[str, ...], dry: float | None, says: str
) -> None:
    ended = run(tmp_path, text(KNEE, dry=dry), *arguments)
    assert ended.exit_code == 2
    assert says in " ".join(ended.stderr.split())


def test_a_mass_in_the_wrong_unit_is_told(tmp_path: Path) -> None:
    # Kilograms after grams: the uptake would be thousands of kg/m2 below nothing.
    ended = run(tmp_path, text(KNEE, dry=9e6), "--area", "100")
    assert ended.exit_code == 1
    assert "Look at the units of mass and area." in ended.stderr


def test_a_file_that_is_not_there_and_a_folder_are_told(tmp_path: Path) -> None:
    for path in (tmp_path / "none.csv", tmp_path):
        ended = longsoak("uptake", path, "--area", "10000")
        assert ended.returncode == 2
        assert "the file is unreadable" in ended.stderr
