"""Which entries of the logbook are looked at, as an address says it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlencode

from longsoak.core.logbook import subject_called
from longsoak.core.moments import moment_of
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.logbook import KIND_WORDS, Subject
from longsoak.vocabulary.rig import Rig

FIELDS = ("kind", "of", "from", "until")
_DAY_MS = 86_400_000
_DAY = len("2026-05-04")


@dataclass(frozen=True, slots=True)
class Filter:
    """What is looked at; `said` is as the address has it, `wrong` what can't be understood of it.

    Times are UTC, ms; `until_ms` itself is left out.
    """

    kind: str | None = None
    subject: Subject | None = None
    since_ms: int | None = None
    until_ms: int | None = None
    said: Mapping[str, str] = field(default_factory=dict)
    wrong: str = ""

    @property
    def is_on(self) -> bool:
        """Whether anything is left out."""
        return bool(self.said)

    @property
    def filled(self) -> Mapping[str, str]:
        """Every field as the form has it."""
        return {name: self.said.get(name, "") for name in FIELDS}

    def address(self, *, upto: int | None = None) -> str:
        """The logbook's address with it, from an entry's number on."""
        query = dict(self.said) | ({} if upto is None else {"upto": str(upto)})
        return f"/logbook?{urlencode(query)}" if query else "/logbook"


def understand(asked: Mapping[str, str], rig: Rig, *, now_ms: int) -> Filter:
    """What an address asks for; what can't be understood of it is left out and told."""
    said = {name: asked[name].strip() for name in FIELDS if asked.get(name, "").strip()}
    kind = said.get("kind")
    if kind is not None and kind not in KIND_WORDS:
        return Filter(wrong=f"No kind of entry is called {kind[:20]!r}; all are shown.")
    try:
        subject = subject_called(said["of"], rig) if "of" in said else None
        times = [
            moment_of(said[name], now_ms=now_ms, day_alone=True) if name in said else None
            for name in ("from", "until")
        ]
    except RequestError as error:
        return Filter(wrong=str(error).replace("Nothing was kept.", "All entries are shown."))
    since, until = times
    if until is not None and len(said["until"]) == _DAY:  # that day belongs to it
        until += _DAY_MS
    return Filter(kind, subject, since, until, said)
