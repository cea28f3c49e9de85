"""What a fault campaign found, in one line."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Outcome:
    """The end of one campaign.

    `tried` says what was done, `lost` counts what was lost, altered or out of place, and `says` is
    what was compared, or the first of what is wrong.
    """

    name: str
    tried: str
    lost: int
    says: str

    def __str__(self) -> str:
        found = f"{self.lost} LOST OR ALTERED" if self.lost else "nothing lost"
        return f"{self.name}: {self.tried}: {found}. {self.says}"
