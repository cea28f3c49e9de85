"""The interface for programs under test: a record with something of everything, and how to try."""

import json
import math
import time
from collections.abc import Mapping
from copy import deepcopy
from enum import StrEnum
from functools import cache
from http import HTTPStatus
from pathlib import Path
from typing import Any

import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator
from requests import Session
from schemathesis import Case, GenerationMode
from schemathesis.checks import positive_data_acceptance

from longsoak.core.water.timeline import At
from longsoak.core.wording import rfc3339
from longsoak.store.water import KeptWater, WaterMemory
from longsoak.store.writer import Batch
from longsoak.vocabulary.alarm import AlarmState
from longsoak.vocabulary.flags import Flag, Reason
from longsoak.vocabulary.logbook import CUP, About, LogbookEntry, Subject
from longsoak.vocabulary.water import Found, WaterNews
from longsoak_dashboards.api.described import document
from pages.pagerig import DAY_MS, NOW_MS, Kept, Wrong, change, drift, flagged, keep, told
from pages.serving import Served, now_ms

CUT_OFF = 40  # scans before the gap
OVERFILL = "overfill:water level"
BURST = Wrong(Flag.FAIL, Reason.OPEN_CIRCUIT, math.inf)  # an open wire: a value without an end
PATHS = tuple(document()["paths"])


class Way(StrEnum):
    """How something is asked for: what there is, what there might be, or what can't be."""

    THERE = "there"
    SENSIBLE = "sensible"
    SENSELESS = "senseless"


ASKED = tuple(
    (path, way)
    for path in PATHS
    for way in Way
    if way is Way.THERE or document()["paths"][path]["get"].get("parameters")
)


def something_of_everything(folder: Path) -> Kept:
    """Two days of scans with a gap, contacts, alarms, flags, entries, and values that are none."""
    now = now_ms()
    times = [now - 1000 - 900_000 * n for n in range(192) if not 80 < n < 100][::-1]
    kept = keep(folder, times=times, now_ms=now, stopped_after=times[CUT_OFF])
    kept.scan(now - 500, otherwise={"plain lime 90/160": BURST})
    begin, end = now - DAY_MS * 3 // 4, now - DAY_MS // 4
    news = WaterNews(
        Found.CONTACT,
        begin / 1000,
        end / 1000,
        "Water reached 118 mm.",
        figures={"highest_mm": 118},
    )
    water = KeptWater(WaterMemory(1, 1, b""), [], [(news, _moment(begin), _moment(end))])
    kept.writer.keep_water(water)
    told(kept, [drift(since_ms=now - DAY_MS)])
    flagged(kept, Flag.SUSPECT, since_ms=now - DAY_MS, until_ms=None)
    new, normal = AlarmState.NEW, AlarmState.NORMAL
    changes = [
        change(OVERFILL, now - 90_000, normal, new, value=101.3, says="101 mm"),
        change("dropped", now - 80_000, normal, new, says="no alarm of this rig"),
        change(OVERFILL, now - 70_000, new, AlarmState.ACKNOWLEDGED, by="mk"),
    ]
    kept.writer.commit(Batch(changes=changes, logbook=[_note(2, now), _catch(3, now)]))
    return kept


def _moment(utc_ms: int) -> At:
    return At(1, utc_ms, utc_ms - NOW_MS + 400 * DAY_MS)


def _note(number: int, now: int) -> LogbookEntry:
    says = "Zeile 1\nline 2, \u201cquoted\u201d"
    return LogbookEntry(
        asked_utc_ms=now, at_utc_ms=now - 5000, by="mk", says=says, number=number,
        request=f"r{number}", kept_utc_ms=now, synchronised=True, photos=("a" * 64,),
    )  # fmt: skip


def _catch(number: int, now: int) -> LogbookEntry:
    return LogbookEntry(
        asked_utc_ms=now, at_utc_ms=now, by="mk", says="A cup.", kind=CUP, number=number,
        subject=Subject(About.BAY, "plain lime"), request=f"r{number}", kept_utc_ms=now,
        synchronised=True, content={"litres": 0.5, "minutes": 10.0, "area_m2": 0.25},
    )  # fmt: skip


@cache
def strict() -> dict[str, Any]:
    """The document as a test takes it: nothing may be answered that it does not tell of."""
    found = deepcopy(document())
    _close(found["components"]["schemas"])
    return found


def _close(part: object) -> None:
    if isinstance(part, list):
        for each in part:
            _close(each)
    if isinstance(part, dict):
        if isinstance(part.get("properties"), dict):
            part.setdefault("additionalProperties", False)
        for each in part.values():
            _close(each)


def check(schema: str, text: str) -> Any:
    """An answer, once it is as its schema says and has no number without an end."""
    answer = json.loads(text, parse_constant=_no_number)
    whole = {"$ref": f"#/components/schemas/{schema}", "components": strict()["components"]}
    validator = Draft202012Validator(whole, format_checker=Draft202012Validator.FORMAT_CHECKER)
    assert [error.message for error in validator.iter_errors(answer)] == []
    return answer


def schema_of(path: str) -> str:
    """The name of the schema of what an address answers."""
    answer: Mapping[str, Any] = document()["paths"][path]["get"]["responses"]["200"]
    found: str = answer["content"]["application/json"]["schema"]["$ref"]
    return found.rpartition("/")[2]


def as_json(text: str, like: str | float | None) -> str | float | None:
    """What a cell of CSV says, as a cell `like` it of JSON would."""
    if isinstance(like, str):
        return text
    return float(text) if text else None


def _spans_wrongly(text: str) -> bool:
    return "is later than to" in text


def _pin(known: dict[str, Any], path: str, probes: tuple[str, ...]) -> None:
    for each in known["paths"][path]["get"].get("parameters", ()):
        if each.get("name") == "probe":
            holder, place = (
                (each["schema"], "items") if "items" in each["schema"] else (each, "schema")
            )
            holder[place] = {"enum": list(probes)}
    parameters, now = known["components"]["parameters"], now_ms()
    began = [rfc3339(now - days * DAY_MS) for days in (1, 2, 300)]
    parameters["From"]["schema"] = {"enum": began}
    parameters["To"]["schema"] = {"enum": [rfc3339(now), rfc3339(now - DAY_MS // 2)]}


def _no_number(words: str) -> None:
    raise AssertionError(f"{words} is no JSON")


def try_out(served: Served, path: str, way: Way, *, probes: tuple[str, ...], examples: int) -> int:
    """Ask for what an address takes, or does not take, and hold each answer against the document.

    Returns
    -------
    int
        How many answers were what was asked for.
    """
    known = deepcopy(strict())
    if way is Way.THERE:  # by chance alone hardly anything would be
        _pin(known, path, probes)
    operation = schemathesis.openapi.from_dict(known)[path]["GET"]
    mode = GenerationMode.NEGATIVE if way is Way.SENSELESS else GenerationMode.POSITIVE
    good = 0

    with Session() as session:

        @settings(
            max_examples=examples,
            derandomize=True,
            deadline=None,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(mode))
        def ask(case: Case[Any]) -> None:
            nonlocal good
            answer = case.call(base_url=served.address, session=session, timeout=30)
            while answer.status_code == HTTPStatus.TOO_MANY_REQUESTS:
                case.validate_response(answer)
                time.sleep(int(answer.headers["retry-after"][0]))
                answer = case.call(base_url=served.address, session=session, timeout=30)
            # No schema can say that one time has to be before another.
            spared = [positive_data_acceptance] if _spans_wrongly(answer.text) else []
            case.validate_response(answer, excluded_checks=spared)
            good += answer.status_code == 200
            if "json" in answer.headers["content-type"][0]:
                json.loads(answer.text, parse_constant=_no_number)

        ask()
    return good
