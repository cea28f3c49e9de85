"""What is asked of an alarm besides an acknowledgement: reset it, shelve it, take it out."""

import json
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from longsoak.store.requests import Request, ask
from longsoak.vocabulary.errors import RequestError

RESET, SHELVE, TAKE_OUT, PUT_BACK = "reset", "shelve", "take out of service", "put back"
LONGEST_REASON = 300  # characters


@dataclass(frozen=True, slots=True)
class Shelving:
    """For how long an alarm is to be shelved, s, and why; None is out of service."""

    seconds: float | None
    why: str


def ask_to_hide(folder: Path, key: str, wanted: Shelving, *, by: str, utc_ms: int) -> Request:
    """Ask for an alarm to be shelved, or taken out of service.

    Raises
    ------
    RequestError
        There is no reason, or it is too long or not printable; or as `ask`.
    """
    kind = TAKE_OUT if wanted.seconds is None else SHELVE
    _checked(wanted)
    body = json.dumps({"seconds": wanted.seconds, "why": wanted.why}, ensure_ascii=False)
    return ask(folder, kind=kind, subject=key, by=by, utc_ms=utc_ms, body=body)


def shelving_of(request: Request) -> Shelving:
    """What a request asks for.

    Raises
    ------
    RequestError
        It holds something else.
    """
    try:
        body = json.loads(request.body)
        seconds, why = body["seconds"], body["why"]
    except (ValueError, LookupError, TypeError) as error:
        raise RequestError("a shelving says for how long and why. Nothing was changed.") from error
    number = isinstance(seconds, int | float) and not isinstance(seconds, bool)
    if not isinstance(why, str) or (number is (request.kind == TAKE_OUT)):
        raise RequestError("a shelving says for how long and why. Nothing was changed.")
    return _checked(Shelving(float(seconds) if number else None, why))


def _checked(wanted: Shelving) -> Shelving:
    if not wanted.why.strip():
        raise RequestError("Say why: whoever comes next has to know. Nothing was changed.")
    if len(wanted.why) > LONGEST_REASON or not wanted.why.isprintable():
        raise RequestError(
            f"The reason is one line of up to {LONGEST_REASON} printable characters. "
            "Nothing was changed."
        )
    if wanted.seconds is not None and not (isfinite(wanted.seconds) and wanted.seconds > 0):
        raise RequestError("Say for how long, more than nothing. Nothing was changed.")
    return wanted
