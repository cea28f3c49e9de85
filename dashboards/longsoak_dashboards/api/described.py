"""The interface's own description (OpenAPI 3.1), and what people are shown of it."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any
from urllib.parse import quote, urlencode

from starlette.requests import Request
from starlette.responses import Response

from longsoak.core.wording import rfc3339
from longsoak.vocabulary.rig import Kind, Probe
from longsoak_dashboards.api.problems import ROOT
from longsoak_dashboards.static import Kept, kept


@dataclass(frozen=True, slots=True)
class Operation:
    """An address as the sheet shows it: what it is for, and what can be asked by which name."""

    address: str
    summary: str
    names: tuple[tuple[str, str, bool], ...]


@cache
def document() -> dict[str, Any]:
    """The description; that of the state is the one that goes out by MQTT."""
    found: dict[str, Any] = json.loads(
        files("longsoak_dashboards").joinpath("api", "openapi.json").read_text("utf-8")
    )
    state = json.loads(
        files("longsoak").joinpath("schemas", "state.schema.json").read_text("utf-8")
    )
    found["components"]["schemas"]["State"] = {
        key: value for key, value in state.items() if key != "$schema"
    }
    return found


async def described(request: Request) -> Response:
    """The description, as it is served."""
    return _kept().answer(request)


@cache
def _kept() -> Kept:
    return kept(json.dumps(document(), ensure_ascii=False).encode(), "application/json")


@cache
def operations() -> tuple[Operation, ...]:
    """Every address, as the description has them."""
    parameters = document()["components"]["parameters"]
    found = []
    for address, methods in document()["paths"].items():
        asked = methods["get"]
        names = []
        for each in asked.get("parameters", ()):
            name = parameters[each["$ref"].rpartition("/")[2]] if "$ref" in each else each
            names.append((name["name"], name["description"], name["required"]))
        found.append(Operation(address, asked["summary"], tuple(names)))
    return tuple(found)


def examples(probes: Sequence[Probe], *, since_ms: int, until_ms: int) -> dict[str, object]:
    """Addresses that work for this rig: a probe of it, over a time of which there are readings."""
    pins = next((probe for probe in probes if probe.kind is Kind.PINS), None)
    probe = pins or next(iter(probes), None)
    name = "" if probe is None else probe.name
    span = {"from": _to_the_second(since_ms), "to": _to_the_second(until_ms + 1000)}
    every, thinned = (
        f"{ROOT}readings?{_query({'probe': name, **span, 'points': points, 'format': 'csv'})}"
        for points in ("all", "1000")
    )
    return {
        "name": name,
        "since": span["from"],
        "until": span["to"],
        "every_reading": every,
        "thinned": thinned,
    }


def _to_the_second(utc_ms: int) -> str:
    """A time as short as a person would write it."""
    return f"{rfc3339(utc_ms)[:-5]}Z"


def _query(asked: Mapping[str, str]) -> str:
    """A query that a person can read: RFC 3986, 3.4 lets colons and slashes stand (from memory)."""
    return urlencode(asked, quote_via=quote, safe=":/")
