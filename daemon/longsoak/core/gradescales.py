"""Scales on which what is seen has a grade: the usual ones, and those of the rig file. Pure.

A grade tells how much was seen, in words somebody wrote down beforehand, so that two people who
look at one face months apart say the same of it.
"""

from collections.abc import Sequence

from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.observation import GradeScale, Sight
from longsoak.vocabulary.rig import Rig

# Neither standard could be read here: grades and shares are from memory, the words our own.
G21 = GradeScale(
    "ASTM G21",
    (Sight.GROWTH,),
    (
        "none",
        "traces, on less than a tenth of it",
        "light, on a tenth to three tenths",
        "medium, on three to six tenths",
        "heavy, on six tenths to all of it",
    ),
    "ASTM G21, rating of observed growth; from memory",
)
ISO_846 = GradeScale(
    "ISO 846",
    (Sight.GROWTH,),
    (
        "none, under magnification too",
        "seen under magnification only",
        "seen by eye, on up to a quarter of it",
        "seen by eye, on up to half of it",
        "seen by eye, on more than half of it",
        "heavy, on all of it",
    ),
    "ISO 846, rating of growth seen; from memory",
)
PLAIN = GradeScale(
    "plain words",
    (Sight.STAINING, Sight.BLOOM, Sight.CRACKING, Sight.SOFTENING),
    ("nothing", "a trace, to be looked for", "slight", "plain at first sight", "heavy"),
    "own words",
)
USUAL = (G21, ISO_846, PLAIN)


def scales_for(of: str, declared: Sequence[GradeScale]) -> list[GradeScale]:
    """The scales for what is seen, those that the rig file declares first."""
    return [scale for scale in (*declared, *USUAL) if of in scale.of]


def sights(declared: Sequence[GradeScale]) -> list[str]:
    """What can be told as seen: what the usual scales are of, then what only the rig file's are."""
    return list(dict.fromkeys([*map(str, Sight), *(of for scale in declared for of in scale.of)]))


def scale_called(name: str | None, of: str, rig: Rig) -> GradeScale:
    """The scale of that name for what is seen, or the first there is for it where none is named.

    Raises
    ------
    RequestError
        There is none, or nothing is called so.
    """
    known = scales_for(of, rig.scales)
    if not known:
        raise RequestError(
            f"Nothing seen is called {of[:40]!r} here, expected one of "
            f"{', '.join(sights(rig.scales))}; another word needs a table [[scales]] of the rig "
            "file. Nothing was kept."
        )
    if name is None:
        return known[0]
    found = next((scale for scale in known if scale.name == name), None)
    if found is None:
        names = ", ".join(repr(scale.name) for scale in known)
        raise RequestError(
            f"No scale for {of} is called {name[:40]!r}, expected one of {names}. Nothing was kept."
        )
    return found


def grade_called(said: str, scale: GradeScale) -> int:
    """The grade that a number or its words say.

    Raises
    ------
    RequestError
        The scale has no such grade.
    """
    words = said.strip()
    if words in scale.words:
        return scale.words.index(words)
    if words.isdecimal() and len(words) <= 3 and int(words) <= scale.highest:
        return int(words)
    raise RequestError(
        f"The scale {scale.name} has no grade {words[:40]!r}, expected one of "
        f"{grades_words(scale)}. Nothing was kept."
    )


def grades_words(scale: GradeScale) -> str:
    """All grades of a scale with what they mean: "0 (none), 1 (a trace)"."""
    return ", ".join(f"{grade} ({words})" for grade, words in enumerate(scale.words))
