"""Whatever programs ask, sensible or not, is answered as the interface's document says.

Sources: OpenAPI 3.1, as openapi-spec-validator and schemathesis read it; RFC 9457, from memory.
"""

from collections.abc import Iterator

import pytest
from openapi_spec_validator import validate

from longsoak.vocabulary.alarm import AlarmState, Hiding, Priority
from longsoak.vocabulary.flags import Flag
from longsoak.vocabulary.rig import (
    Above,
    Boundary,
    Kind,
    LimitQuantity,
    Material,
    MouldClass,
    MouldDecline,
    Quantity,
    Rule,
    Side,
    Statistic,
)
from longsoak_dashboards.api.described import document
from longsoak_dashboards.api.single import COLUMNS
from pages.interface import ASKED, Way, something_of_everything, try_out
from pages.serving import Served, serve

pytestmark = pytest.mark.long

EXAMPLES = 20


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Served, tuple[str, ...]]]:
    """A record with something of everything, and the names of its probes."""
    kept = something_of_everything(tmp_path_factory.mktemp("everything"))
    with serve(kept.rig_file) as pages:
        yield pages, tuple(probe.name for probe in kept.rig.probes)
    kept.close()


@pytest.mark.parametrize(("path", "way"), ASKED)
def test_each_answer_is_as_the_document_says(
    served: tuple[Served, tuple[str, ...]], path: str, way: Way
) -> None:
    pages, probes = served
    good = try_out(pages, path, way, probes=probes, examples=EXAMPLES)
    if way is Way.THERE:
        assert good > 0


def test_the_document_is_one_of_openapi_3_1() -> None:
    validate(document())
    assert document()["openapi"].startswith("3.1")


def test_the_document_has_every_word_of_the_vocabulary() -> None:
    schemas = document()["components"]["schemas"]
    assert schemas["Kind"]["enum"] == [kind.value for kind in Kind]
    assert schemas["Boundary"]["enum"] == [boundary.value for boundary in Boundary]
    probe = schemas["Rig"]["properties"]["probes"]["items"]["properties"]
    assert probe["quantity"]["enum"] == [*(quantity.value for quantity in Quantity), None]
    limit = schemas["Rig"]["properties"]["limits"]["items"]["properties"]
    assert limit["quantity"]["enum"] == [quantity.value for quantity in LimitQuantity]
    assert limit["side"]["enum"] == [side.value for side in Side]
    assert limit["above"]["enum"] == [*(above.value for above in Above), None]
    assert limit["statistic"]["enum"] == [statistic.value for statistic in Statistic]
    assert limit["rule"]["enum"] == [rule.value for rule in Rule]
    alarm = schemas["Alarms"]["properties"]["alarms"]["items"]["properties"]
    assert alarm["state"]["enum"] == [state.value for state in AlarmState]
    assert alarm["hiding"]["enum"] == [None, *(hiding.value for hiding in Hiding)]
    assert alarm["priority"]["enum"] == [*(priority.value for priority in Priority), None]
    layer = schemas["Rig"]["properties"]["specimen"]["properties"]["bays"]["items"]["properties"]
    materials = layer["layers"]["items"]["properties"]["material"]["enum"]
    assert materials == [material.value for material in Material]
    of_mould = layer["layers"]["items"]["properties"]
    assert of_mould["mould_class"]["enum"] == [*(each.value for each in MouldClass), None]
    assert of_mould["mould_decline"]["enum"] == [*(each.value for each in MouldDecline), None]
    reading = schemas["EveryReading"]["properties"]["readings"]["items"]["prefixItems"]
    cells = dict(zip(COLUMNS, reading, strict=True))
    assert cells["flag"]["enum"] == cells["flag_taken"]["enum"] == [int(flag) for flag in Flag]
    assert cells["flag_word"]["enum"] == [flag.word for flag in Flag]
    assert tuple(schemas["EveryReading"]["properties"]["columns"]["const"]) == COLUMNS
