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
