"""What a key of the rig file expects, in plain words beside its type."""

import unicodedata
from dataclasses import dataclass
from enum import StrEnum
from typing import Annotated, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from longsoak.rigfile.report import number

_LONGEST_NAME = 60
_LONGEST_TEXT = 600
_BREAKS = ("Zl", "Zp")  # Unicode's own ends of lines and paragraphs


@dataclass(frozen=True, slots=True)
class Words:
    """Goes beside a field's type.

    `expected` completes "expected ...", `example` is a value as the file would write it, `unit` is
    the unit's symbol where the value is a number of one. `remedy` replaces the usual one.
    """

    expected: str
    example: str
    needed: bool = False
    unit: str | None = None
    choices: tuple[str, ...] = ()
    remedy: str | None = None


class Table(BaseModel):
    """A table of the rig file. A key that is absent or faulty is None; `Words.needed` says which.

    The types are strict: the file says what it means, and "12" is not 12.
    """

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, defer_build=True)


def named(whose: str, example: str, *, needed: bool = True) -> Words:
    """Describe a key that holds a name of one's own."""
    return Words(
        f"{whose}, 1 to {_LONGEST_NAME} characters on one line, no space at either end",
        f'"{example}"',
        needed=needed,
    )


def reference(what: str, example: str, *, needed: bool = False) -> Words:
    """Describe a key that names something else in the file."""
    return Words(f"the name of {what}", f'"{example}"', needed=needed)


def one_of(choices: type[StrEnum], *, needed: bool = True) -> Words:
    """Describe a key that takes one of a few words."""
    values = tuple(str(item) for item in choices)
    return Words(f"one of {', '.join(values)}", f'"{values[0]}"', needed=needed, choices=values)


def measured(what: str, example: float, *, unit: str = "mm", needed: bool = True) -> Words:
    """Describe a key that holds a bare number of a unit; `what` names unit and range."""
    return Words(what, number(example), needed=needed, unit=unit)


def table_of(header: str, *, needed: bool = False) -> Words:
    """Describe a table with a header of its own."""
    return Words(f"a table headed [{header}]", "", needed, remedy=f"Head a table with [{header}].")


def _printable(text: str) -> str:
    categories = {unicodedata.category(letter) for letter in text}
    if text != text.strip() or any(kind[0] == "C" or kind in _BREAKS for kind in categories):
        raise ValueError("has a control character, or space at an end")
    return text


def _topic(text: str) -> str:
    # "+" and "#" are wildcards and "$" opens the broker's own topics (MQTT 5.0, 4.7).
    if set(text) & set("+#") or text.startswith(("$", "/")) or text.endswith("/"):
        raise ValueError("can't be published under")
    return text


Name = Annotated[
    str, Field(min_length=1, max_length=_LONGEST_NAME), AfterValidator(_printable)
]  # stands in tables, notices and topics, so it stays on one line
Text = Annotated[str, Field(min_length=1, max_length=_LONGEST_TEXT), AfterValidator(_printable)]
Topic = Annotated[Name, AfterValidator(_topic)]
WebAddress = Annotated[Text, Field(pattern=r"^https?://[^\s/@]+(/\S*)?$")]
MailAddress = Annotated[Text, Field(pattern=r"^[^\s@]+@[^\s@]+$")]
Host = Annotated[Text, Field(pattern=r"^[^\s/@]+$")]
Port = Annotated[int, Field(ge=1, le=65535)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
# Walls of up to 100 m; more is a slip of the unit.
NotNegative = Annotated[Finite, Field(ge=0, le=100_000)]
Positive = Annotated[Finite, Field(gt=0, le=100_000)]
# Five polls a second keep up with a hand on the tap; once a day is the slowest worth having.
Period = Annotated[Finite, Field(ge=0.2, le=86_400)]
Delay = Annotated[Finite, Field(ge=0, le=86_400)]
Rate = Annotated[Finite, Field(ge=1, le=10_000)]
Pair = Annotated[tuple[Finite, Finite], Field(strict=False)]  # TOML has lists only

_T = TypeVar("_T")


def is_name(text: str) -> bool:
    """Whether a key of one's own can serve as a name."""
    try:
        return 1 <= len(_printable(text)) <= _LONGEST_NAME
    except ValueError:
        return False


def given(value: _T | None) -> _T:
    """Hand back a value that the checks have found to be there.

    Raises
    ------
    TypeError
        It isn't: a check is missing, which is a bug.
    """
    if value is None:
        raise TypeError("a value that was checked to be there is absent")
    return value
