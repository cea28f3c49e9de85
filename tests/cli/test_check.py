"""`longsoak check`, run as a user runs it: what it says of a file that is good."""

from pathlib import Path

from processes import longsoak
from whole.thermorig import lay_out

NAMED = """
[notices.webhook]
url_file = "hook"
headers_file = "headers"

[[people]]
name = "mk"
webhook_file = "/nowhere/mk"

[heartbeat]
url_file = "beat"
"""


def test_files_it_names_that_are_not_there_are_told_and_are_no_mistake(tmp_path: Path) -> None:
    rig_file = lay_out(tmp_path, more=NAMED)
    (tmp_path / "headers").write_text("A: b")
    checked = longsoak("check", rig_file)
    assert (checked.returncode, checked.stderr) == (0, "")
    said = [each for each in checked.stdout.split("\n\n") if "which can't be read" in each]
    wanted = "No such file or directory. Nothing goes that way until `longsoak run` can read it"
    assert all(f"which can't be read: {wanted}" in each for each in said)
    assert [each.partition(", which")[0] for each in said] == [
        f"Caution: url_file of [notices.webhook] names {tmp_path}/hook",
        "Caution: webhook_file of [[people]] names /nowhere/mk",
        f"Caution: url_file of [heartbeat] names {tmp_path}/beat",
    ]
    for name in ("hook", "beat"):
        (tmp_path / name).write_text("https://example.org/")
    assert longsoak("check", rig_file).stdout.count("can't be read") == 1


LIMITS = """
[[probes]]
name = "P 170/60"
kind = "pins"
bay = "panel"
depth = 170
height = 60
bus = "meter"
address = { channel = 101 }
curve = "Douglas-fir (coast)"
temperature = "T0"

[[buses]]
name = "meter"
driver = "scpi"
port = "/dev/ttyUSB0"

[[limits]]
name = "the panel stays dry"
quantity = "moisture content"
depth = [170, 170]
at_most = 20
source = "common practice: timber below 20 %"

[[limits]]
name = "it dries again"
quantity = "moisture content"
at_most = 18
phases = ["drying"]
"""


def test_each_limit_is_told_in_one_line_with_the_probes_it_is_on(tmp_path: Path) -> None:
    checked = longsoak("check", lay_out(tmp_path, more=LIMITS))
    assert (checked.returncode, checked.stderr) == (0, "")
    (block,) = (each for each in checked.stdout.split("\n\n") if each.startswith("Limit "))
    assert block.splitlines() == [
        "Limit the panel stays dry: highest moisture content at most 20 % MC; 170 mm deep; "
        "read by P 170/60; each averaged over 24 h; never beyond it; good data in 90 % of the "
        "windows; for wetting; consumer's risk 5 % (common practice: timber below 20 %)",
        "Limit it dries again: highest moisture content at most 18 % MC; read by P 170/60; each "
        "averaged over 24 h; never beyond it; good data in 90 % of the windows; for drying; "
        "consumer's risk 5 %",
    ]
    assert checked.stdout.rstrip().endswith("2 limits. The file is good.")


def test_what_is_declared_of_readings_by_hand_is_told_in_a_sentence(tmp_path: Path) -> None:
    more = '\n[hand_readings]\nwins = "embedded"\ntolerance = 2\n'
    checked = longsoak("check", lay_out(tmp_path, more=more))
    assert (checked.returncode, checked.stderr) == (0, "")
    assert (
        "\nReadings by hand: where hand and pins differ the embedded value counts; up to 2 % they "
        "agree; a place is that of pins within 5 mm of depth and 30 mm of height.\n"
    ) in checked.stdout


SEAT = """
[[probes]]
name = "RH panel"
kind = "humidity"
bay = "panel"
depth = 90
height = 20
bus = "wood"
address = { id = "26-000000000001" }

[[limits]]
name = "no mould"
quantity = "mould index"
at_most = 1
"""


def test_a_limit_on_a_mould_index_tells_its_class_or_that_it_gets_no_verdict(
    tmp_path: Path,
) -> None:
    rig_file = lay_out(tmp_path, more=SEAT)
    without = longsoak("check", rig_file).stdout
    assert "read by RH panel+T0; panel of no declared mould_class; each at its highest" in without
    assert (
        "Caution: Limit no mould gets no verdict. A mould index needs the class of its surface, "
        "and panel declares no mould_class (one of very sensitive, sensitive, medium resistant, "
        "resistant)."
    ) in without
    declared = rig_file.read_text().replace(
        "thickness = 180", 'thickness = 180, mould_class = "sensitive"'
    )
    rig_file.write_text(declared)
    told = longsoak("check", rig_file).stdout
    assert "panel as sensitive, how fast it declines not declared; each at its highest" in told
    assert "gets no verdict" not in told
