"""Requests of a top-up: guide it at the rig too, and fill through a valve or a pump relay.

Each holds for a short time and is asked again while it is wanted, so that whoever goes away without
a word has stopped.
"""

import json
from math import isfinite
from pathlib import Path
from typing import NamedTuple

from longsoak.core.water.pour import LONGEST_LAG, USUAL_LAG
from longsoak.store.bodies import object_of, refuse
from longsoak.store.requests import Request, ask

GUIDE = "guide a top-up"
FILL = "fill"
STOP = "stop filling"
GUIDED_FOR = 120.0  # s that a guide holds
FILL_AGAIN = 1.0  # s after which a fill is asked for again
FILL_HOLDS = 3.0  # s it holds
MOST_LITRES = 10_000.0  # L


class Fill(NamedTuple):
    """Fill through the output called `valve` until `litres` are in. `name` is this fill's own."""

    valve: str
    litres: float
    name: str


def ask_guide(folder: Path, reservoir: str, *, lag: float, by: str, utc_ms: int) -> Request:
    """Ask that lamp and buzzer tell of a top-up for the next `GUIDED_FOR` s.

    `lag` is how late the level follows, s, as far as earlier pours tell.

    Raises
    ------
    RequestError, StoreError
        As for `longsoak.store.requests.ask`.
    """
    body = json.dumps({"lag": _lag(lag)})
    return ask(folder, kind=GUIDE, subject=reservoir, by=by, utc_ms=utc_ms, body=body)


def lag_of_guide(request: Request) -> float:
    """The lag that a `GUIDE` request tells, s; never less than the usual one.

    Raises
    ------
    RequestError
        It is none that `ask_guide` writes.
    """
    return max(USUAL_LAG, _lag(object_of(request).get("lag")))


def ask_fill(folder: Path, fill: Fill, *, by: str, utc_ms: int) -> Request:
    """Ask that water be let in, or go on being let in.

    Raises
    ------
    RequestError, StoreError
        The litres make no sense, or as for `longsoak.store.requests.ask`.
    """
    body = {"litres": fill.litres, "name": fill.name}
    _litres(body["litres"])
    return ask(folder, kind=FILL, subject=fill.valve, by=by, utc_ms=utc_ms, body=json.dumps(body))


def ask_stop(folder: Path, fill: Fill, *, by: str, utc_ms: int) -> Request:
    """Ask that a fill end now.

    Raises
    ------
    RequestError, StoreError
        As for `longsoak.store.requests.ask`.
    """
    return ask(folder, kind=STOP, subject=fill.valve, by=by, utc_ms=utc_ms)


def fill_of(request: Request) -> Fill:
    """What a `FILL` request asks.

    Raises
    ------
    RequestError
        It is none that `ask_fill` writes.
    """
    body = object_of(request)
    name = body.get("name")
    if not isinstance(name, str) or not 1 <= len(name) <= 64:
        refuse(name, "the name of a fill")
    return Fill(request.subject, _litres(body.get("litres")), name)


def _lag(found: object) -> float:
    number = isinstance(found, int | float) and not isinstance(found, bool)
    if not number or not 0 <= float(str(found)) <= LONGEST_LAG:
        refuse(found, f"a lag of up to {LONGEST_LAG:g} s")
    return float(str(found))


def _litres(found: object) -> float:
    number = isinstance(found, int | float) and not isinstance(found, bool)
    if not number or not isfinite(float(str(found))) or not 0 < float(str(found)) <= MOST_LITRES:
        refuse(found, f"litres, more than 0 and up to {MOST_LITRES:g}")
    return float(str(found))
