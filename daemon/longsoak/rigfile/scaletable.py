"""The table of the rig file that declares a scale on which what is seen is graded."""

from typing import Annotated

from pydantic import Field

from longsoak.core.observations import LONGEST_WORDS, MOST_GRADES
from longsoak.rigfile.words import Name, Table, Text, Words, given, named
from longsoak.vocabulary.observation import GradeScale

_Words = Annotated[Text, Field(max_length=LONGEST_WORDS)]
_OWN = "own words"


class GradeScaleTable(Table):
    """``[[scales]]``."""

    name: Annotated[Name | None, named("a name of this scale", "bloom on render")] = None
    of: Annotated[
        Annotated[list[Name], Field(min_length=1)] | None,
        Words(
            "a list of what it grades, in words of your own or the usual ones",
            '["salt bloom"]',
            needed=True,
        ),
    ] = None
    words: Annotated[
        Annotated[list[_Words], Field(min_length=2, max_length=MOST_GRADES)] | None,
        Words(
            f"a list of 2 to {MOST_GRADES} texts, what each grade means from 0, that nothing was "
            f"seen, upwards, each of up to {LONGEST_WORDS} characters",
            '["none", "a haze", "white fur"]',
            needed=True,
        ),
    ] = None
    source: Annotated[
        Text | None, Words("where the scale is from, in words", '"common practice"')
    ] = None


def grade_scale_of(table: GradeScaleTable) -> GradeScale:
    """The scale; what the table leaves out is as usual."""
    return GradeScale(
        given(table.name),
        tuple(dict.fromkeys(given(table.of))),
        tuple(given(table.words)),
        table.source or _OWN,
    )
