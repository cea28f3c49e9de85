"""A rig keeps its name for as long as its record."""

from pathlib import Path

import pytest

from longsoak.rigfile.naming import check_name
from longsoak.vocabulary.errors import RigFileError

RECORD = Path("/srv/rig/record")
KEPT = '[rig]\nname = "render pair"\n'


def refused(text: str) -> str:
    with pytest.raises(RigFileError) as caught:
        check_name(text, kept=KEPT, file="rig.toml", folder=RECORD)
    return str(caught.value)


@pytest.mark.parametrize(
    "text", [KEPT, '# moved\n[rig]\nstart = 2026-05-04\nname = "render pair"\n[probes]\n']
)
def test_any_version_of_the_same_rigs_file_belongs_to_its_record(text: str) -> None:
    check_name(text, kept=KEPT, file="rig.toml", folder=RECORD)


def test_a_rig_of_another_name_is_told_on_its_line_whatever_ends_lines() -> None:
    said = refused('# another\r\n\r\n[rig]\r\nname = "lime wall"\r\n')
    assert said == (
        "rig.toml:4: rig.name is 'lime wall', expected \"render pair\", the rig whose record lies "
        "in /srv/rig/record. Keep each rig's file in a folder of its own. If it is the same rig, "
        "write that name back: a rig keeps its name for as long as its record."
    )


@pytest.mark.parametrize("text", ["", "[notes]\n", "rig = 3\n", "[rig]\ninvented = true\n"])
def test_a_file_that_names_no_rig_is_nobodys(text: str) -> None:
    assert "rig.name is missing, expected" in refused(text)


def test_a_file_that_is_no_toml_is_told_as_such() -> None:
    assert refused("[rig\n").startswith("rig.toml:1: the line is [rig, expected a header")
    assert "hundreds deep" in refused(f"a = {'[' * 5000}")


@pytest.mark.parametrize("kept", ["", "# nothing", "[rig\n", "[rig]\ninvented = true\n"])
def test_a_record_that_names_no_rig_refuses_nobody(kept: str) -> None:
    check_name(KEPT, kept=kept, file="rig.toml", folder=RECORD)
