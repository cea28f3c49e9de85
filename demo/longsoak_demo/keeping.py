"""The state of the simulated rig as a file, so that stopping the demo doesn't dry the specimen."""

import json
from dataclasses import asdict, fields
from math import isfinite
from pathlib import Path

from longsoak_demo.physics import RenderPair
from longsoak_demo.tray import Tray

_FORM = 1  # of the file; another number is refused


def save(pair: RenderPair, path: Path) -> None:
    """Write the state of `pair` to `path`, whole or not at all."""
    state = {
        "form": _FORM,
        "time": pair.time,
        "start_water": pair.start_water,
        "dried": pair.dried,
        "water_temperature": pair.water_temperature,
        "timber": pair.timber,
        "tray": asdict(pair.tray),
        "columns": [column.saturation for column in pair.columns.values()],
    }
    draft = path.with_suffix(".new")
    draft.write_text(json.dumps(state), encoding="utf-8")
    draft.replace(path)


def load(path: Path) -> RenderPair:
    """Read a state written by `save`.

    Raises
    ------
    OSError
        The file can't be read.
    ValueError
        It isn't such a state.
    """
    pair = RenderPair()
    try:
        state = json.loads(path.read_text(encoding="utf-8"))
        if state["form"] != _FORM:
            raise ValueError(f"it is of form {state['form']!r}, expected {_FORM}")
        pair.time = _number(state["time"])
        pair.start_water = _number(state["start_water"])
        pair.dried = _number(state["dried"])
        pair.water_temperature = _number(state["water_temperature"])
        pair.timber = {bay: _number(state["timber"][bay]) for bay in pair.timber}
        tray = {field.name: state["tray"][field.name] for field in fields(Tray)}
        pair.tray = Tray(
            **{k: v if isinstance(v, bool) else _number(v) for k, v in tray.items()}  # type: ignore[arg-type]  # checked by name just above
        )
        for column, saturation in zip(pair.columns.values(), state["columns"], strict=True):
            if len(saturation) != len(column.saturation):
                raise ValueError(f"a column has {len(saturation)} cells")
            column.saturation = [_number(s) for s in saturation]
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"it isn't the state of a simulated rig ({error!r})") from error
    return pair


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise ValueError(f"{value!r} stands where a number is expected")
    return float(value)
