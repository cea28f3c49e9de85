"""What is done to the specimen itself, and answered at its end, from a form into an entry."""

from collections.abc import Mapping

from longsoak.core.closing import closing_content
from longsoak.core.logbook import subject_called, text_of
from longsoak.core.newholes import hole_content
from longsoak.core.wettrades import SETTLING_DAYS, trade_content
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import (
    CLOSING,
    NEW_HOLE,
    THE_RIG,
    WET_TRADE,
    LogbookEntry,
    Subject,
)
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.logasked import moment_said
from longsoak_dashboards.view.waterentries import number_said

POURED, HOLE, CLOSES = "poured", "hole", "closes"  # what a form writes
NOT_DONE = "not done"
OWN_FIELDS = (
    *("bay", "litres", "mix", "curing", "settles"),
    *("probe", "offset", "uncertainty", "overlap"),
    *("item", "done", "signed"),
)
FIELDS = ("what", "text", "at", "by", "once", *OWN_FIELDS)


def entry_of(said: Mapping[str, str], rig: Rig, *, came_ms: int, now_ms: int) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    rig : Rig
        Whose bays and probes it may be about.
    came_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing or no number.
    """
    kind, subject, content = _made(said, rig)
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=moment_said(said.get("at", ""), written_ms=came_ms),
        by=said.get("by", ""),
        says=text_of(said.get("text", "")),
        kind=kind,
        subject=subject,
        content=content,
    )


def _made(said: Mapping[str, str], rig: Rig) -> tuple[str, Subject, dict[str, Json]]:
    what = said.get("what", "")
    if what == POURED:
        return WET_TRADE, subject_called(said.get("bay") or "rig", rig), _trade(said)
    if what == HOLE:
        return NEW_HOLE, subject_called(said.get("probe", ""), rig), _hole(said)
    if what == CLOSES:
        done = said.get("done") != NOT_DONE
        content = closing_content(said.get("item", ""), done=done, name=said.get("signed", ""))
        return CLOSING, THE_RIG, content
    raise RequestError(f"{what[:20]!r} is nothing this form keeps. Nothing was kept.")


def _trade(said: Mapping[str, str]) -> dict[str, Json]:
    litres = _number(said, "litres", "number of litres")
    if litres is None:
        raise RequestError("Say how many litres were poured. Nothing was kept.")
    settles = _number(said, "settles", "number of days")
    return trade_content(
        litres=litres,
        mix=said.get("mix", ""),
        curing_temperature=_number(said, "curing", "temperature"),
        settling_days=SETTLING_DAYS if settles is None else settles,
    )


def _hole(said: Mapping[str, str]) -> dict[str, Json]:
    return hole_content(
        offset=_number(said, "offset", "offset"),
        uncertainty=_number(said, "uncertainty", "standard uncertainty"),
        overlap_h=_number(said, "overlap", "number of hours"),
    )


def _number(said: Mapping[str, str], field: str, what: str) -> float | None:
    return number_said(said.get(field, ""), what)
