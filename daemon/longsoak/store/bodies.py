"""What belongs to a request beside its subject, as an object; anybody may have written it."""

import json
from collections.abc import Mapping
from math import isfinite
from typing import NoReturn

from longsoak.store.requests import Request
from longsoak.vocabulary.errors import RequestError

_DEEPEST = 20  # tables within tables; far more than a hundred of them would end the process


def object_of(request: Request) -> Mapping[str, object]:
    """The object that a request's body holds.

    Raises
    ------
    RequestError
        It holds none.
    """
    try:
        found = json.loads(request.body)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict):
        refuse(request.body, "a JSON object")
    return found


def is_json(found: object, *, deep: int = 0) -> bool:
    """Whether JSON and a page can hold it as it is: numbers finite, letters whole, not too deep."""
    if deep > _DEEPEST:
        return False
    if isinstance(found, Mapping):
        return all(
            isinstance(key, str) and _is_text(key) and is_json(value, deep=deep + 1)
            for key, value in found.items()
        )
    if isinstance(found, list | tuple):
        return all(is_json(value, deep=deep + 1) for value in found)
    if isinstance(found, str):
        return _is_text(found)
    if isinstance(found, float):
        return isfinite(found)
    return found is None or isinstance(found, int | bool)


def refuse(found: object, expected: str) -> NoReturn:
    """Say what was found in a body, and what was expected."""
    raise RequestError(f"{str(found)[:60]!r} was asked, expected {expected}. Nothing was kept.")


def _is_text(found: str) -> bool:
    """Whether it is whole: JSON can name half of a letter, which no file and no page can hold."""
    try:
        found.encode()
    except UnicodeEncodeError:
        return False
    return True
