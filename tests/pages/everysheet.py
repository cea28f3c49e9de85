"""All sheets there are, and the states in which they are looked at.

A new sheet is entered here: its route as in ``app.py``, with at least one state of `STATES` and an
address in it. `test_every_sheet.py` then opens it in each of them, and fails for one that is not
here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

PROBE = "plain%20lime%2090%2F160"
AT = "plain%20lime%2030%2F60"


@dataclass(frozen=True, slots=True)
class Look:
    """A sheet in one state; `post` is a form it is the refusal of, `status` what it answers."""

    state: str
    address: str
    status: int = 200
    post: Mapping[str, str] | None = None

    @property
    def name(self) -> str:
        """For a test, and for the picture it keeps."""
        words = "".join(c if c.isalnum() else " " for c in f"{self.address} {self.state}")
        posted = " refused" if self.post is not None else ""
        return "-".join(f"{words or 'section'}{posted}".split())


def everywhere(address: str, *states: str) -> tuple[Look, ...]:
    """One address in several states."""
    return tuple(Look(state, address) for state in states)


SHEETS: Mapping[str, Sequence[Look]] = {
    "/": everywhere(
        *("/", "busy", "crowded", "quiet", "without readings", "without reservoir", "never run"),
        *("with mistakes", "without file", "unreadable", "being restored", "stopped"),
    ),
    "/traces": (
        *everywhere("/traces", "busy", "quiet", "without readings", "never run"),
        Look("busy", "/traces?what=water"),
    ),
    "/water": (
        *everywhere("/water", "busy", "quiet", "wetted", "without readings", "without reservoir"),
        *everywhere("/water", "never run", "stopped"),
        Look("busy", "/water?since=NOW"),
    ),
    "/alarms": everywhere("/alarms", "busy", "crowded", "quiet", "without readings", "never run"),
    "/health": everywhere("/health", "busy", "crowded", "without readings", "unreadable"),
    "/findings": everywhere("/findings", "busy", "quiet", "without readings", "never run"),
    "/probe/{name:path}": (
        Look("busy", f"/probe/{PROBE}"),
        Look("busy", f"/probe/{AT}"),
        Look("without readings", f"/probe/{PROBE}"),
        Look("busy", "/probe/nobody", 404),
    ),
    "/proof": everywhere("/proof", "busy", "quiet", "never run"),
    "/proof/who": everywhere("/proof/who", "busy"),
    "/proof/at/{name:path}": everywhere(f"/proof/at/{AT}", "busy"),
    "/proof/safety": everywhere("/proof/safety", "busy"),
    "/proof/touch": everywhere("/proof/touch", "busy"),
    "/proof/card/{name:path}": everywhere(f"/proof/card/{AT}", "busy"),
    "/logbook": (
        *everywhere("/logbook", "busy", "quiet", "never run"),
        Look("busy", "/logbook?corrects=1"),
        *(Look("busy", f"/logbook?corrects={number}") for number in (7, 9)),  # of `weighed`
    ),
    "/logbook/seen": everywhere("/logbook/seen", "busy", "quiet", "never run"),
    "/hand": everywhere("/hand", "busy", "quiet", "without reservoir", "never run"),
    "/login": everywhere("/login", "busy"),
    "/api/1/": everywhere("/api/1/", "busy", "never run"),
    "/logbook/{number:int}/photo/{place:int}": (Look("busy", "/logbook/1/photo/9", 404),),
}

# What a form is answered with where it can't be taken, and what has no sheet at all.
REFUSED: Sequence[Look] = (
    Look("busy", "/alarms/shelve", 400, {"key": "overfill:water level", "by": "mk", "for": "2 h"}),
    Look("busy", "/water/note", 400, {"what": "round", "conductivity": "1,234.5", "by": "mk"}),
    Look("busy", "/logbook/sample", 400, {"what": "dried", "by": "mk", "completes": "8"}),
    Look("busy", "/proof/begin", 400, {}),
    Look("busy", "/nowhere", 404),
    Look("busy", "/water/begin", 405),
)

# Routes that are no sheets: for programs, or single files.
NO_SHEETS = {
    *("/state.json", "/session.json", "/events", "/water/live"),
    *("/favicon.ico", "/static/{name:path}"),
    *("/proof/photo/{name}", "/logbook/photo/{name}", "/logbook/thumbnail/{name}"),
    *("/traces/picture.svg", "/traces/around.json"),
    *("/api/1/openapi.json", "/api/1/rig", "/api/1/latest", "/api/1/readings"),
    *("/api/1/alarms", "/api/1/alarms/changes", "/api/1/water"),
    *("/api/1/water/top-ups", "/api/1/water/contacts", "/api/1/water/cup-catches"),
    *("/api/1/logbook", "/api/1/set-aside", "/api/1/gaps"),
    "/proof/certificate",  # a document of its own, as `longsoak prove --sheet` writes it
}
LOOKS = (*(look for looks in SHEETS.values() for look in looks), *REFUSED)
