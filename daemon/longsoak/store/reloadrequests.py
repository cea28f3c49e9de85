"""The request that the measuring process take up a rig file that has changed, and its outcomes."""

import json
from hashlib import sha256
from pathlib import Path

from longsoak.store.requests import Request, ask
from longsoak.vocabulary.errors import RequestError

RELOAD = "take up the rig file"
WRONG = "refused, for the rig file is wrong:\n"
"""What the outcome begins with where the file has mistakes; they follow, one a line."""


def digest_of(text: str) -> str:
    """What tells the text of one rig file from that of another."""
    return sha256(text.encode()).hexdigest()


def ask_to_take_up(folder: Path, text: str, *, by: str, utc_ms: int) -> Request:
    """Ask that the rig file be taken up as it is now.

    Parameters
    ----------
    folder : Path
        The record's folder.
    text : str
        The file's whole text, so that no other file is taken up in its place.
    by : str
        The initials of who asks.
    utc_ms : int
        When, ms since 1970 UTC.

    Raises
    ------
    RequestError, StoreError
        As for `longsoak.store.requests.ask`.
    """
    body = json.dumps({"sha256": digest_of(text)})
    return ask(folder, kind=RELOAD, subject="rig file", by=by, utc_ms=utc_ms, body=body)


def digest_wanted(request: Request) -> str:
    """The digest of the text that a request means.

    Raises
    ------
    RequestError
        It is none that `ask_to_take_up` writes.
    """
    try:
        digest = json.loads(request.body)["sha256"]
    except (ValueError, LookupError, TypeError) as error:
        raise RequestError("it does not say which text it means. Use `longsoak reload`") from error
    if not isinstance(digest, str):
        raise RequestError("it does not say which text it means. Use `longsoak reload`")
    return digest
