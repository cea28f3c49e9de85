"""What is said beside the values of pins, by what they sit in and under which curve; invented.

That salts and alkali conduct, and that a wooden dowel follows the humidity around it, is common
practice.
"""

import re

import pytest

from longsoak.core.cautions import cautions
from pinkinds import rig_of


def test_pins_in_timber_under_a_curve_for_wood_need_no_caution() -> None:
    assert cautions(rig_of(["timber"])) == ()
    assert cautions(rig_of([])) == ()


def test_a_mineral_material_with_a_curve_of_its_own_conducts_by_its_salts_and_alkali_too() -> None:
    (said,) = cautions(rig_of(["lime, own", "timber"]))
    assert said.startswith("% MC by a curve fitted to a mineral material")
    assert "the batch and the salt state of its samples only" in said
    assert "salts and the alkali of lime and cement conduct like water does" in said


@pytest.mark.parametrize(
    ("kind", "starts"),
    [
        ("board, own", "% MC by a curve fitted to a board"),
        ("lime, wood", "% WME is wood-equivalent"),
        ("lime, dowel", "% MC dowel is the moisture content of the wooden dowel"),
    ],
)
def test_each_kind_of_value_has_its_own_caution(kind: str, starts: str) -> None:
    (said,) = cautions(rig_of([kind]))
    assert said.startswith(starts)
    assert re.search(r"[Ss]alts and (the )?alkali", said)
    assert "too wet" in said


def test_each_caution_is_said_once_however_many_pins_it_is_for() -> None:
    found = cautions(rig_of())
    labels = [said.split(" by ")[0].split(" is ")[0] for said in found]
    assert labels == ["% MC", "% MC", "% WME", "% MC dowel"]
    assert len(set(found)) == 4
    assert all(said.endswith(".") for said in found)
