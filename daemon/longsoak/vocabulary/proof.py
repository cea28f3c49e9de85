"""A proof: the walk along every channel before the water goes on, and what it found."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

Json = str | float | int | bool | None | Sequence["Json"] | Mapping[str, "Json"]


class Step(StrEnum):
    """What is done at a channel, or for the whole rig; the values are the words people see."""

    BEGIN = "begin"
    READS = "reads"
    OPEN = "open"
    SHORT = "short"
    RESISTOR = "resistor"
    TOUCH = "touch"
    POUR = "pour"
    FLOAT = "float"
    CARD = "card"
    SAFETY = "safety"
    FINISH = "finish"


class Outcome(StrEnum):
    """How a step ended. `NOTED` is for what can't be judged, such as an installation card."""

    GOOD = "good"
    BAD = "bad"
    LEFT_OUT = "left out"
    NOTED = "noted"


@dataclass(frozen=True, slots=True)
class ProofEntry:
    """One step of one proof, as the record keeps it.

    `proof` names the walk by its beginning, RFC 3339 UTC. `subject` is a probe's name, a safety
    item's key, or "rig". `content` holds the numbers the outcome rests on. A later entry of the
    same proof, step and subject supersedes an earlier one; both are kept. `id` is 0 until kept.
    """

    id: int
    utc_ms: int
    proof: str
    step: Step
    subject: str
    outcome: Outcome
    by: str
    says: str
    content: Mapping[str, Json]
