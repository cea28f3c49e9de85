"""What was seen, from a form into an entry of the logbook and back."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from longsoak.core.gradescales import scales_for, sights
from longsoak.core.logbook import bay_called, text_of
from longsoak.core.observations import SeenAt, observation_content, seen_at
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import OBSERVATION, LogbookEntry
from longsoak.vocabulary.observation import Face, GradeScale, Looked
from longsoak.vocabulary.rig import Rig
from longsoak_dashboards.view.logasked import corrected_number, moment_said
from longsoak_dashboards.view.sentences import capital
from longsoak_dashboards.view.waterentries import number_said

PLACE = ("bay", "face", "depth", "low", "high")
FIELDS = (*PLACE, "seen", "extent", "looked", "text", "by", "at", "corrects", "what", "of", "once")
OPEN = "open"  # in place of a face: laid open, at a depth
WHERE = ((str(Face.DRY), "dry face"), (str(Face.WET), "wet face"), (OPEN, "laid open, at a depth"))
_MM = {"low": "lower end, in mm", "high": "upper end, in mm", "depth": "depth, in mm"}


@dataclass(frozen=True, slots=True)
class SightChoices:
    """What can be seen of one kind on one scale, as a form offers it: values and words."""

    words: str
    grades: tuple[tuple[str, str], ...]


def sight_choices(rig: Rig, *, only: str = "") -> tuple[SightChoices, ...]:
    """Everything that can be seen, with each of its grades; of one kind of thing with `only`."""
    return tuple(
        SightChoices(
            f"{capital(of)}, by {scale.name}",
            tuple(
                (value_of(of, scale.name, grade), f"{of} {grade}: {words}")
                for grade, words in enumerate(scale.words)
            ),
        )
        for of in sights(rig.scales)
        for scale in scales_for(of, rig.scales)
        if only in ("", of)
    )


def value_of(of: str, scale: str, grade: int) -> str:
    """What a form holds for one grade of one thing."""
    return f"{grade} {of} | {scale}"


def seen_entry(
    said: Mapping[str, str], rig: Rig, photos: Sequence[str], *, written_ms: int, now_ms: int
) -> LogbookEntry:
    """The entry that a form asks for.

    Parameters
    ----------
    said : mapping
        Its fields, of `FIELDS`.
    rig : Rig
        Whose bays and scales there are.
    photos : sequence of str
        Digests of the photos that came with it.
    written_ms, now_ms : int
        When it was filled in, and now, UTC ms.

    Raises
    ------
    RequestError
        Something is missing, or is no number.
    """
    subject = bay_called(said["bay"], rig)
    of, scale, grade = _sight(said["seen"], rig)
    depth, low, high = (number_said(said[n], _MM[n]) for n in ("depth", "low", "high"))
    face = None if said["face"] == OPEN else said["face"]
    if face is not None and depth is not None:
        raise RequestError(
            "A face has no depth: say that it was laid open, or leave the depth empty. "
            "Nothing was kept."
        )
    content = observation_content(
        SeenAt(subject.name, face, depth, low, high),
        of=of,
        scale=scale,
        grade=grade,
        extent=number_said(said["extent"], "share in %"),
        looked=said["looked"] or Looked.BY_EYE,
    )
    return LogbookEntry(
        asked_utc_ms=now_ms,
        at_utc_ms=moment_said(said["at"], written_ms=written_ms),
        by=said["by"],
        says=text_of(said["text"]),
        kind=OBSERVATION,
        subject=subject,
        corrects=corrected_number(said["corrects"]),
        photos=tuple(photos),
        content=content,
    )


def place_again(entry: LogbookEntry) -> dict[str, str]:
    """The place of an entry, as the form holds it, for another look at it."""
    at = seen_at(entry)
    return {
        "bay": at.bay,
        "face": OPEN if at.face is None else at.face,
        **{
            name: "" if length is None else f"{length:g}"
            for name, length in (("depth", at.depth), ("low", at.low), ("high", at.high))
        },
    }


def said_again(entry: LogbookEntry) -> dict[str, str]:
    """What the form held that an entry came from, to be set right."""
    content = entry.content
    extent = content["extent_percent"]
    return {
        **place_again(entry),
        "seen": value_of(str(content["of"]), str(content["scale"]), int(str(content["grade"]))),
        "extent": "" if extent is None else f"{float(str(extent)):g}",
        "looked": str(content["looked"]),
        "what": "see",
    }


def _sight(value: str, rig: Rig) -> tuple[str, GradeScale, int]:
    for of in sights(rig.scales):
        for scale in scales_for(of, rig.scales):
            for grade in range(len(scale.words)):
                if value == value_of(of, scale.name, grade):
                    return of, scale, grade
    raise RequestError("Choose what you see and how much of it. Nothing was kept.")
