"""Pieces cut out of the specimen and dried, from forms into entries of the logbook and back."""

from collections.abc import Mapping, Sequence

from longsoak.core.logbook import bay_called, text_of
from longsoak.core.samples import Sample, completed_content, sample_said, whole_content
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import SAMPLE, LogbookEntry, Subject
from longsoak.vocabulary.proof import Json
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.logasked import corrected_number, moment_said
from longsoak_dashboards.view.waterentries import number_said

CUT, DRIED = "cut", "dried"  # what a form writes
_CALLED = {
    "bay": "its bay",
    "identity": "its identity",
    **dict.fromkeys(("depth_from_mm", "depth_to_mm"), "its depth, from and to"),
    "height_mm": "its height",
    "material": "what it is of",
    "dry_cut": "whether it was cut dry or wet",
    "sealed": "whether it was sealed at once",
    "minutes": "minutes until the balance",
    "wet_g": "its mass as it was",
}
# What each number of a form is, under the name that it has in an entry.
_NUMBERS = {
    **dict.fromkeys(("depth_from_mm", "depth_to_mm", "height_mm", "across_mm"), "number of mm"),
    "minutes": "number of minutes",
    "oven": "temperature in °C",
    **dict.fromkeys(("wet_g", "dry_g", "tare_g", "second_dry_g"), "mass in g"),
    "balance_g": "standard uncertainty in g",
}
_EITHER = {  # what a form writes for what holds or does not
    "dry_cut": {"dry": True, "wet": False},
    "sealed": {"yes": True, "no": False},
}
OWN_FIELDS = ("identity", "material", "note", "completes", *_EITHER, *_NUMBERS)
FIELDS = ("what", "bay", "at", "by", "corrects", "once", *OWN_FIELDS)


def sample_entry(
    said: Mapping[str, str], rig: Rig, was: LogbookEntry | None, *, written_ms: int, now_ms: int
) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    rig : Rig
        Whose bays it can be cut from.
    was : LogbookEntry or None
        The one it completes or sets right.
    written_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing, or is no number.
    """
    held = _held(said)
    subject, content = (
        _completed(held, was) if said["what"] == DRIED else _cut(said, held, rig, was)
    )
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=moment_said(said["at"], written_ms=written_ms),
        by=said["by"],
        says=sample_said(subject.name, content),
        kind=SAMPLE,
        subject=subject,
        corrects=corrected_number(taken_from(said)),
        content=content,
    )


def taken_from(said: Mapping[str, str]) -> str:
    """The number of the entry that a form completes or sets right, as it was written."""
    return said["completes"] if said["what"] == DRIED else said["corrects"]


def said_again(entry: LogbookEntry) -> dict[str, str]:
    """What the form held that an entry came from, to be set right."""
    content = entry.content
    numbers = {name: content[name] for name in _NUMBERS}
    return {
        "bay": entry.subject.name,
        **{name: str(content[name]) for name in ("identity", "material", "note")},
        **{
            name: next(word for word, holds in words.items() if holds is content[name])
            for name, words in _EITHER.items()
        },
        **{n: "" if v is None else f"{float(str(v)):.15g}" for n, v in numbers.items()},
        "what": CUT,
    }


def sample_choices(samples: Sequence[Sample]) -> tuple[tuple[str, str], ...]:
    """Those that can be completed, as a form offers them, those that are not dry yet first."""
    waiting = sorted(samples, key=lambda sample: sample.dry is not None)
    return tuple(
        (
            str(each.number),
            f"{each.identity}, {each.bay}, {'not dried yet' if each.dry is None else 'dried'}",
        )
        for each in waiting
    )


def _held(said: Mapping[str, str]) -> dict[str, Json]:
    """What a form says, under the names of an entry; None for what it does not say."""
    return {
        "identity": said["identity"] or None,
        "material": said["material"] or None,
        "note": text_of(said["note"]) or None,
        **{name: words.get(said[name]) for name, words in _EITHER.items()},
        **{name: number_said(said[name], what) for name, what in _NUMBERS.items()},
    }


def _completed(
    held: Mapping[str, Json], was: LogbookEntry | None
) -> tuple[Subject, dict[str, Json]]:
    if was is None or was.kind != SAMPLE:
        raise RequestError("Choose which sample was dried. Nothing was kept.")
    if all(value is None for value in held.values()):
        raise RequestError("Nothing is filled in, so nothing was kept.")
    return was.subject, completed_content(was, held)


def _cut(
    said: Mapping[str, str], held: Mapping[str, Json], rig: Rig, was: LogbookEntry | None
) -> tuple[Subject, dict[str, Json]]:
    """All of it, also where one is set right: what the form leaves empty is taken away."""
    is_one = was is not None and was.kind == SAMPLE
    content = whole_content(
        held,
        bay=said["bay"] or None,
        called=_CALLED,
        no_sample=None if is_one else corrected_number(said["corrects"]),
    )
    return bay_called(said["bay"], rig), content
