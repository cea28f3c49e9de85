"""`longsoak front` as a user runs it; its fit is checked in tests/reference/test_uptake.py too."""

import json
from collections.abc import Mapping, Sequence
from importlib import import_module
from math import hypot, sqrt
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from click.testing import CliRunner, Result

from longsoak.cli.front import ALIKE, MODEL, WEIGHED, front
from longsoak.core.proof.card import Card, Entry, note_card
from longsoak.store.files import RECORD
from longsoak.store.proofrequests import ask_to_keep
from longsoak.store.writer import Batch
from longsoak.vocabulary.proof import Json, Outcome, ProofEntry, Step
from pages.pagerig import NOW_MS, Bays, Kept, keep, rig_text
from processes import longsoak

optimize = import_module("scipy.optimize")  # ships no types
stats = import_module("scipy.stats")

# One material from face to face, so that there is nothing to say of layers.
PLAIN = Bays(
    names=("cork-lime", "plain lime"),
    layers=(("{bay} render", "", 240),),
    depths=(30, 60, 90, 120),
    heights=(160,),
    name="render pair",
)
HOUR = 3600.0


def run(folder: Path, content: str, *arguments: str | Path) -> Result:
    path = folder / "front.csv"
    path.write_text(content)
    return CliRunner().invoke(front, [str(path), *map(str, arguments)])


def answer(folder: Path, content: str, *arguments: str | Path) -> dict[str, object]:
    ended = run(folder, content, "--json", *arguments)
    return cast(dict[str, object], json.loads(ended.stdout, parse_constant=pytest.fail))


def pace(found: Mapping[str, object], name: str = "pace") -> dict[str, float]:
    return cast(dict[str, float], found[name])


def rows(found: Mapping[str, object]) -> list[dict[str, object]]:
    return cast(list[dict[str, object]], found["arrivals"])


def of(content: Sequence[tuple[float, ...]], head: str = "depth_mm,time_h") -> str:
    return "\n".join([head, *(",".join(map(repr, line)) for line in content)])


def reached(bay: str, *times: str) -> str:
    """Pins of one bay in the order of their depths, and when the front came, min."""
    lines = (f"{bay} {d}/160,{t}" for d, t in zip((30, 60, 90, 120), times, strict=False))
    return "\n".join(["probe,time_min", *lines]) + "\n"


# Computed: 10 mm/h^0.5 comes to 30, 60, 90 and 120 mm after 9, 36, 81 and 144 h.
MINUTES = ("540", "2160", "4860", "8640")


def add(
    kept: Kept, probe: str, content: Mapping[str, Json], *, outcome: Outcome, days: int
) -> None:
    """Keep a card's entry as the measuring process does, with the request that asked for it."""
    at = NOW_MS + 86_400_000 * days
    begun = "2026-09-23T08:00:00.000Z"
    entry = ProofEntry(0, at, begun, Step.CARD, probe, outcome, "mk", "It was so.", content)
    asked = ask_to_keep(kept.folder, entry)
    kept.writer.commit(Batch(proof=[(asked, entry)]))


def add_card(kept: Kept, probe: str, *, days: int = 0, **said: object) -> None:
    card = Card(**said)  # type: ignore[arg-type]  # by its own fields
    its = next(each for each in kept.rig.probes if each.name == probe)
    finding = note_card(card, its, kept.rig)
    add(kept, probe, finding.content, outcome=finding.outcome, days=days)


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    """A rig of one material with a record, and a card of the first two pins of a bay."""
    kept = keep(tmp_path / "rig", text=rig_text(PLAIN))
    add_card(kept, "cork-lime 30/160", drilled=(33.0, 29.0), entry=Entry.WET)
    add_card(kept, "cork-lime 30/160", days=2, drilled=(30.5, 30.5), entry=Entry.WET)
    add_card(kept, "cork-lime 60/160", drilled=(180.0, 181.0), entry=Entry.DRY, bare_tip=6.0)
    return kept


def test_a_known_pace_comes_back_and_each_depth_is_told(tmp_path: Path) -> None:
    content = of([(30.0, 9.0), (60.0, 36.0), (90.0, 81.0)]) + "\n110,\n"
    ended = run(tmp_path, content)
    assert ended.exit_code == 0, ended.output
    lines = ended.stdout.splitlines()
    assert lines[0].endswith("front.csv: 4 depths, 1 of them not reached yet and left out.")
    assert lines[3].startswith("  10.00 mm/√h, standard uncertainty ")
    assert lines[4].startswith("  0.1667 mm/√s, standard uncertainty ")
    assert "   mm  u  told by  reached     √h   off" in lines
    assert " 60.0     file     36 h     6.000  " in ended.stdout
    assert "110.0     file     not yet" in lines
    assert "To be wary of" not in ended.stdout
    assert ALIKE in lines
    assert lines[-1] == MODEL


def test_a_front_behind_by_next_to_nothing_has_no_minus(tmp_path: Path) -> None:
    ended = run(tmp_path, of([(30.0, 9.0), (59.99, 36.0), (90.0, 81.0)]))
    assert "36 h     6.000  +0.0" in ended.stdout


def test_the_pace_is_that_of_weighted_least_squares(tmp_path: Path) -> None:
    # Computed: scipy 1.11 or later, curve_fit with sigma, absolute. Depths that their own
    # uncertainties explain, so that no common one is added and theirs is the larger.
    depths, doubts = [30.2, 59.6, 90.5, 119.7], [0.5, 1.2, 2.5, 0.9]
    hours = [9.0, 36.0, 81.0, 144.0]
    lines = list(zip(depths, doubts, hours, strict=True))
    found = answer(tmp_path, of(lines, "depth_mm,uncertainty_mm,time_h"))
    best, covariance = optimize.curve_fit(
        lambda root, b: b * root, np.sqrt(hours), depths, sigma=doubts, absolute_sigma=True
    )
    assert pace(found)["value"] == pytest.approx(best[0], rel=1e-9)
    assert pace(found)["standard_uncertainty"] == pytest.approx(sqrt(covariance[0, 0]), rel=1e-7)
    slow = pace(found, "pace_per_root_second")
    assert slow["value"] == pytest.approx(best[0] / 60.0, rel=1e-9)
    off = [cast(float, row["residual_mm"]) for row in rows(found)]
    assert off == pytest.approx(list(depths - best[0] * np.sqrt(hours)), abs=1e-9)
    assert WEIGHED in cast(list[str], found["notes"])


@pytest.mark.parametrize("doubts", [None, ["", "0.5", "", "1"]])
def test_where_doubts_are_not_all_known_the_scatter_alone_tells(
    tmp_path: Path, doubts: list[str] | None
) -> None:
    # Computed: scipy's curve_fit without sigma, widened by half of Student's 95 % quantile.
    depths, hours = [28.0, 63.0, 88.0, 121.0], [9.0, 36.0, 81.0, 144.0]
    head = "depth_mm,time_h" + (",uncertainty_mm" if doubts else "")
    lines = [f"{d},{t}" for d, t in zip(depths, hours, strict=True)]
    if doubts:
        lines = [f"{line},{u}" for line, u in zip(lines, doubts, strict=True)]
    found = answer(tmp_path, "\n".join([head, *lines]))
    best, covariance = optimize.curve_fit(lambda root, b: b * root, np.sqrt(hours), depths)
    assert pace(found)["value"] == pytest.approx(best[0], rel=1e-7)
    widened = sqrt(covariance[0, 0]) * stats.t.ppf(0.975, 3) / 2.0
    assert pace(found)["standard_uncertainty"] == pytest.approx(widened, rel=1e-6)
    note = cast(list[str], found["notes"])[0]
    assert note == ALIKE if doubts is None else "but not of 28 mm, 88 mm: so all count" in note


def test_a_line_straight_by_luck_is_not_taken_for_known_depths(tmp_path: Path) -> None:
    # Computed: sqrt(t) u / (t1 + t2) with u = 5 mm of the deeper at t = 36 h: 30 / 45 mm/h^0.5.
    found = answer(tmp_path, "depth_mm,uncertainty_mm,time_h\n30,,9\n60,5,36\n")
    assert pace(found)["standard_uncertainty"] < 1e-9
    (says,) = cast(list[str], found["warnings"])
    assert says.startswith("The pace is known no better than to 0.011 mm/√s (0.67 mm/√h): so much")


def test_a_probes_depth_is_that_of_its_newest_card(kept: Kept) -> None:
    kept.close()
    found = answer(kept.folder.parent, reached("cork-lime", *MINUTES[:2]), "--rig", kept.rig_file)
    first, second = rows(found)
    assert (first["depth_mm"], first["standard_uncertainty_mm"]) == (30.5, 0.5)
    assert first["told_by"] == "card of 2026-09-25, mk"
    # From the dry face of 240 mm; 6 mm bare, by hand: hypot(0.5, 6 / sqrt(12)).
    assert second["depth_mm"] == 59.5
    assert second["standard_uncertainty_mm"] == pytest.approx(hypot(0.5, sqrt(3.0)))
    assert WEIGHED in cast(list[str], found["notes"])
    assert found["warnings"] == []


def test_a_probe_without_a_card_has_the_rig_files_depth_and_no_doubt_is_made_up(
    kept: Kept,
) -> None:
    add(kept, "cork-lime 90/160", {"grain": "end"}, outcome=Outcome.NOTED, days=0)
    add(kept, "cork-lime 60/160", {}, outcome=Outcome.LEFT_OUT, days=3)  # an older one stands
    kept.close()
    ended = run(kept.folder.parent, reached("cork-lime", *MINUTES), "--rig", kept.rig_file)
    assert ended.exit_code == 0, ended.output
    lines = ended.stdout.splitlines()
    assert lines[0].endswith("front.csv: 4 depths in the bay cork-lime.")
    assert [" ".join(line.split()[:6]) for line in lines if "/160 " in line][:4] == [
        "30.5 0.5 card of 2026-09-25, mk",
        "59.5 1.8 card of 2026-09-23, mk",
        "90.0 rig file, for its card",
        "120.0 rig file, no card cork-lime",
    ]
    assert "told of some, but not of cork-lime 90/160, cork-lime 120/160: so all" in ended.stdout
    assert "Give each an installation card to have them weighed." in ended.stdout


def test_before_anything_is_recorded_the_rig_file_tells_the_depths(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text(PLAIN))
    found = answer(tmp_path, reached("cork-lime", *MINUTES), "--rig", rig_file)
    assert pace(found)["value"] == pytest.approx(10.0)
    assert {row["told_by"] for row in rows(found)} == {"rig file, no card"}


def test_a_record_that_can_not_be_read_is_told_rather_than_passed_over(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text(PLAIN))
    (tmp_path / "record").mkdir()
    (tmp_path / "record" / RECORD).write_bytes(b"no record " * 99)
    ended = run(tmp_path, reached("cork-lime", *MINUTES), "--rig", rig_file)
    assert ended.exit_code == 1
    assert "can't be read" in ended.stderr
    assert ended.stdout == ""


def test_a_card_far_from_the_rig_file_is_told(kept: Kept) -> None:
    add_card(kept, "cork-lime 60/160", days=4, drilled=(66.0, 66.0), entry=Entry.WET)
    kept.close()
    ended = run(kept.folder.parent, reached("cork-lime", *MINUTES), "--rig", kept.rig_file)
    assert (
        "- cork-lime 60/160: its card says 66.0 ± 1.0 mm, the rig file 60 mm. The card's is taken"
    ) in ended.stdout


def test_one_bay_is_fitted_at_a_time(kept: Kept) -> None:
    kept.close()
    folder, rig = kept.folder.parent, kept.rig_file
    slow = reached("plain lime", *(str(4 * int(t)) for t in MINUTES)).partition("\n")[2]
    content = reached("cork-lime", *MINUTES) + slow
    ended = run(folder, content, "--rig", rig)
    assert ended.exit_code == 2
    (says, _) = ended.stderr.splitlines()
    assert says.endswith(
        "front.csv:6: probe is 'plain lime 30/160', in the bay \"plain lime\", expected one of the "
        'bay "cork-lime", as in line 2. Fit one bay at a time: add --bay and its name.'
    )
    found = answer(folder, content, "--rig", rig, "--bay", "plain lime")
    assert pace(found)["value"] == pytest.approx(5.0)
    assert found["lines_of_other_bays"] == 4
    told = run(folder, content, "--rig", rig, "--bay", "plain lime").stdout.splitlines()[0]
    assert told.endswith("4 depths in the bay plain lime; 4 lines of other bays left out.")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--bay", "plain lime"), "--bay is for the probes of a rig file. Add --rig."),
        (("RIG", "--bay", "plain line"), "no bay 'plain line'. Did you mean 'plain lime'?"),
        (("RIG", "--bay", "?"), "The rig file has no bay '?'. It has cork-lime, plain lime."),
        (("RIG", "--bay", "plain lime"), "front.csv has no pins of the bay plain lime."),
    ],
)
def test_a_bay_that_can_not_be_taken_ends_with_2(
    tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text(PLAIN))
    given = ("--rig", str(rig_file), *arguments[1:]) if arguments[0] == "RIG" else arguments
    ended = run(tmp_path, reached("cork-lime", *MINUTES), *given)
    assert ended.exit_code == 2
    assert says in " ".join(ended.stderr.split())


def test_a_front_through_more_layers_than_one_is_told(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text())
    content = "probe,time_h\ncork-lime 30/60,9\ncork-lime 90/60,400\ncork-lime 170/60,\n"
    ended = run(tmp_path, content, "--rig", rig_file)
    assert (
        "- The front has gone through cork-lime render into timber panel. One pace holds for one "
        "material: leave out what lies deeper than 60 mm to have that of the first."
    ) in ended.stdout


def test_pins_in_dowels_are_told_to_be_late(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    text = rig_text(PLAIN)
    head = 'name = "cork-lime 60/160"\nkind = "pins"\n'
    assert head in text
    rig_file.write_text(text.replace(head, f'{head}sits_in = "dowel"\n'))
    ended = run(tmp_path, reached("cork-lime", *MINUTES), "--rig", rig_file)
    assert "- cork-lime 60/160: a dowel feels the front late, by hours or days." in ended.stdout


def test_a_slower_front_and_one_out_of_order_are_told(tmp_path: Path) -> None:
    # Computed: depth = 20 mm + 6 mm/h^0.5, as of a front that began fast.
    slowing = of([(20.0 + 6.0 * sqrt(h), h) for h in (4.0, 9.0, 16.0, 36.0, 64.0)])
    assert "- The points bend away: the late arrivals are later" in run(tmp_path, slowing).stdout
    odd = run(tmp_path, "depth_mm,time_h\n30,9\n60,90\n90,81\n").stdout
    assert "- 90 mm was reached before 60 mm, which lies nearer to the face. Such a front" in odd


def test_hours_called_seconds_end_with_1(tmp_path: Path) -> None:
    ended = run(tmp_path, "depth_mm,time_s\n29,9\n58,36\n87,81\n")
    assert ended.exit_code == 0  # 9.7 mm/s^0.5, and 10 is the bound
    ended = run(tmp_path, "depth_mm,time_s\n30,4\n60,16\n90,36\n")
    assert ended.exit_code == 1
    assert "- 15 mm/√s is faster than any common material takes up water. Look at" in ended.stdout


@pytest.mark.parametrize("lines", ["30,9\n60,\n", "30,\n60,\n", "30,9\n30,10\n"])
def test_fewer_than_two_depths_end_with_1(tmp_path: Path, lines: str) -> None:
    ended = run(tmp_path, f"depth_mm,time_h\n{lines}")
    assert ended.exit_code == 1
    assert "  none: the front has reached fewer than two depths" in ended.stdout
    found = answer(tmp_path, f"depth_mm,time_h\n{lines}")
    assert pace(found)["value"] is None


DEPTH_MISTAKES = [
    ("", "front.csv:1: the file is empty, expected a header line, then a line for each depth."),
    ("depth_mm,time_h\n", "front.csv:1: the file is a header only, expected a header line"),
    ("depth_mm;time_h\n30;9\n", "front.csv:1: the header is kept apart by semicolons"),
    ("depth_mm,hours\n30,9\n", "front.csv:1: the time is missing, expected one of the columns"),
    (
        "depth_cm,time_h\n3,9\n",
        "front.csv:1: the depth is missing, expected one of the columns depth_mm and probe. If "
        "depth_cm is that, convert it to mm and name it depth_mm.",
    ),
    ("time_h\n9\n", "the depth is missing, expected one of the columns depth_mm and probe. Write"),
    ("depth_mm,depth_mm,time_h\n1,2,3\n", "front.csv:1: depth_mm is there twice, expected each"),
    (
        "depth_mm,probe,time_h\n30,x,9\n",
        "front.csv:1: probe is there beside depth_mm, expected one column that tells the depth.",
    ),
    (
        "probe,time_h\ncork-lime 30/160,9\n",
        "front.csv:1: probe is there without a rig file, expected a rig file that knows the "
        "probes. Add for example --rig rig.toml, or write depths into a column depth_mm.",
    ),
    (
        "depth_mm,time_min\n30,0\n",
        "front.csv:2: time_min is '0', expected nothing if the front has not come yet, or a time "
        "in min, 1 s or more after the face met the water, as a bare number. Write for example 5.",
    ),
    ("depth_mm,time_h\n0,9\n", "front.csv:2: depth_mm is '0', expected a depth in mm from the wet"),
    ("depth_mm,time_h\n,9\n", "front.csv:2: depth_mm is empty, expected a depth in mm from the"),
    ('depth_mm,time_h\n"30,5",9\n', "depth_mm is '30,5', expected a depth in mm from the wet face"),
    (
        "depth_mm,uncertainty_mm,time_h\n30,-1,9\n",
        "front.csv:2: uncertainty_mm is '-1', expected a standard uncertainty in mm, 0 to 1000",
    ),
    ("depth_mm,time_h\n30,9,5\n", "front.csv:2: the line is 3 cells, expected 2, as in the header"),
]
PROBE_MISTAKES = [
    (
        "depth_mm,time_h\n30,9\n",
        "front.csv:1: depth_mm is there beside a rig file, expected a column probe, for a rig file "
        "to tell the depths of. Leave --rig out, or name the probes.",
    ),
    (
        "probe,uncertainty_mm,time_h\ncork-lime 30/160,1,9\n",
        "front.csv:1: uncertainty_mm is there beside probe, expected it beside depth_mm alone",
    ),
    (
        "probe,time_h\ncork-lime 30/60,9\n",
        "front.csv:2: probe is 'cork-lime 30/60', expected a pair of pins of the rig file. Did you "
        "mean cork-lime 30/160?",
    ),
    (
        "probe,time_h\n?,9\n",
        "probe is '?', expected a pair of pins of the rig file. It has the pins",
    ),
    ("probe,time_h\n,9\n", "front.csv:2: probe is empty, expected a pair of pins of the rig file."),
    (
        "probe,time_h\ncork-lime 30/160,9\ncork-lime 30/160,9\n",
        "front.csv:3: probe is 'cork-lime 30/160' again, after line 2, expected each probe once. "
        "Remove one of the two lines.",
    ),
    (
        "probe,time_h\ncork-lime timber,9\n",
        "front.csv:2: probe is 'cork-lime timber', which is of kind \"temperature\", expected one "
        'of kind "pins", which feel a front when it wets them. Remove the line.',
    ),
]


@pytest.mark.parametrize(
    ("content", "says", "with_rig"),
    [(*each, False) for each in DEPTH_MISTAKES] + [(*each, True) for each in PROBE_MISTAKES],
)
def test_a_mistake_is_told_by_line_and_column(
    tmp_path: Path, content: str, says: str, with_rig: bool
) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text(PLAIN))
    ended = run(tmp_path, content, *(("--rig", rig_file) if with_rig else ()))
    assert ended.exit_code == 2
    assert ended.stdout == ""
    assert says in ended.stderr
    assert ended.stderr.endswith("nothing was worked out.\n")


def test_a_card_that_tells_of_no_depth_within_is_a_mistake(kept: Kept) -> None:
    add_card(kept, "cork-lime 90/160", drilled=(245.0, 245.0), entry=Entry.DRY)
    kept.close()
    ended = run(kept.folder.parent, reached("cork-lime", *MINUTES), "--rig", kept.rig_file)
    assert ended.exit_code == 2
    assert (
        "front.csv:4: probe is 'cork-lime 90/160', -5 mm deep, expected a depth above 0 mm from "
        "the wet face. Correct its installation card, or remove the line."
    ) in ended.stderr


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text(rig_text(PLAIN))
    content = "probe,time_h\nair wet T,9\nnobody,9\ncork-lime 30/160,x\nplain lime 30/160,9\n"
    ended = run(tmp_path, content, "--rig", rig_file)
    assert [line.partition(" is ")[0].rpartition("/")[2] for line in ended.stderr.splitlines()] == [
        "front.csv:2: probe",
        "front.csv:3: probe",
        "front.csv:4: time_h",
        "front.csv:5: probe",
        "4 mistakes; nothing was worked out.",
    ]


def test_a_rig_file_with_mistakes_is_told_first(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    rig_file.write_text("[rig]\nname = 5\n")
    ended = run(tmp_path, reached("cork-lime", *MINUTES), "--rig", rig_file)
    assert ended.exit_code == 2
    assert "rig.toml:2: rig.name is 5" in ended.stderr


def test_the_command_runs_beside_a_record_and_a_file_that_is_not_there_is_told(kept: Kept) -> None:
    kept.close()
    path = kept.folder.parent / "front.csv"
    path.write_text(reached("cork-lime", *MINUTES))
    ended = longsoak("front", path, "--rig", kept.rig_file)
    assert ended.returncode == 0, ended.stderr
    assert "card of 2026-09-25, mk" in ended.stdout
    ended = longsoak("front", path.with_name("none.csv"))
    assert ended.returncode == 2
    assert "the file is unreadable" in ended.stderr
