"""A mould index to go on from: what `longsoak convert --mould --json` printed, read back."""

import json
from pathlib import Path

import click

from longsoak.core.mould import HIGHEST_INDEX, MouldState
from longsoak.rigfile.cells import read_text
from longsoak.vocabulary.errors import RigFileError

_HOW = "Give what longsoak convert --mould --json printed."
_LONGEST = 1e9  # h, as far as the model counts


def read_state(path: Path, *, material: str, decline: str) -> MouldState:
    """Read where a mould index had got to.

    Parameters
    ----------
    path : Path
        What ``--mould --json`` printed, for one value or for a file of them.
    material, decline : str
        What goes on. The state of another material, or of another decline, means nothing here.

    Raises
    ------
    click.UsageError
        The file can't be read or holds no such state.
    """
    try:
        printed = json.loads(read_text(path, what="a file that --mould --json printed"))
    except RigFileError as error:
        raise click.UsageError(str(error)) from error
    except (ValueError, RecursionError) as error:
        raise click.UsageError(f"{path} is not JSON ({error}). {_HOW}") from error
    state = _state_in(printed)
    if state is None:
        raise click.UsageError(f"{path} holds no state of a mould index. {_HOW}")
    for option, wanted in (("material", material), ("decline", decline)):
        if state.get(option) != wanted:
            raise click.UsageError(
                f"{path} was worked out with --{option} {state.get(option)!r}, not {wanted!r}. "
                "Go on with the same."
            )
    return MouldState(
        _number(path, state, "index", HIGHEST_INDEX),
        _number(path, state, "hours_since_growth", _LONGEST),
    )


def _state_in(printed: object) -> dict[str, object] | None:
    """The state of one answer, or of the last row's."""
    if isinstance(printed, list) and printed:
        row = printed[-1]
        answers = row.get("answers") if isinstance(row, dict) else None
        printed = answers[-1] if isinstance(answers, list) and answers else None
    state = printed.get("state") if isinstance(printed, dict) else None
    return state if isinstance(state, dict) else None


def _number(path: Path, state: dict[str, object], name: str, most: float) -> float:
    value = state.get(name)
    if isinstance(value, int | float) and not isinstance(value, bool) and 0.0 <= value <= most:
        return float(value)
    raise click.UsageError(f"{path}: {name} is {value!r}, expected 0 to {most:g}. {_HOW}")
