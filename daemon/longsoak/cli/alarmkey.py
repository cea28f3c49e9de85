"""An alarm called by its key, looked up before anything is asked of the measuring process."""

from collections.abc import Collection

from longsoak.core.wording import meant_words
from longsoak.store.reader import RigVersion
from longsoak.vocabulary.errors import RequestError


def check_key(key: str, version: RigVersion | None, *, others: Collection[str] = ()) -> None:
    """Refuse the key of an alarm that the rig does not have; `others` may be named beside them.

    Raises
    ------
    RequestError
        There is none; with the nearest ones, or how a key is made.
    RigFileError
        The kept rig file can't be read any more.
    """
    # What is no key at all is refused, in words of its own, where it is asked.
    if version is None or key in others or not key.isprintable() or not key:
        return
    from longsoak.rigfile.load import parse

    keys = [plan.key for plan in parse(version.text, file="the rig file", find_kind=None).alarms]
    if key in keys:
        return
    hint = meant_words(key, [*keys, *others])
    if not hint:
        example = f", such as {keys[0]!r}" if keys else ""
        hint = (
            f"A key is what is watched, a colon and of what{example}; `longsoak ack` lists those "
            "that stand."
        )
    raise RequestError(f"There is no alarm {key[:60]!r} on this rig. {hint} Nothing was asked.")
