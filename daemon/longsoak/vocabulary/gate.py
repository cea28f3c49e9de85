"""The gates before a wetting: what has to be so, and what is known of it."""

from dataclasses import dataclass
from enum import StrEnum


class GateState(StrEnum):
    """What is known of a gate; the values are the words people see."""

    MET = "met"
    NOT_MET = "not met"
    NOT_KNOWN = "not known"


class GateName(StrEnum):
    """The gates, in the order they are told; the values are the words people see."""

    STEADY = "readings steady"
    BASELINE = "baseline"
    PROOF = "proof"
    SAFETY = "safety list"


@dataclass(frozen=True, slots=True)
class Gate:
    """One gate, why it is as it is, and how it can be met; `remedy` is empty where it is met."""

    name: GateName
    state: GateState
    says: str
    remedy: str = ""

    @property
    def met(self) -> bool:
        """Whether it is known to be met."""
        return self.state is GateState.MET
