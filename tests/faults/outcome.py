"""What a fault campaign found, in one line."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """The end of one campaign.

    `tried` says what was done, `lost` counts what was lost, altered or out of place, and `says` is
    what was compared, or the first of what is wrong. `untried` is why nothing could be tried here.
    """

    name: str
    tried: str
    lost: int
    says: str
    untried: str | None = None

    def __str__(self) -> str:
        if self.untried is not None:
            return f"{self.name}: NOT TRIED: {self.untried}."
        found = f"{self.lost} LOST OR ALTERED" if self.lost else "nothing lost"
        return f"{self.name}: {self.tried}: {found}. {self.says}"
