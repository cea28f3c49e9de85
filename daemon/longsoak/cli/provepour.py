"""Known litres at the terminal: said, waited for until they are calm, and taken back if wrong."""

import click

from longsoak.cli.options import number_of
from longsoak.cli.proveasking import line, looked
from longsoak.core.proof.finding import Finding, centre
from longsoak.core.proof.water import FEWEST_POINTS, is_calm, judge_pour
from longsoak.proving.hands import SETTLED
from longsoak.proving.walk import Walk
from longsoak.vocabulary.errors import PhysicsError
from longsoak.vocabulary.rig import Probe


def pour(walk: Walk, probe: Probe) -> Finding | None:
    """What known litres found of a level, or None where they can't be judged."""
    reservoir = walk.rig.reservoir
    assert reservoir is not None  # noqa: S101  # a level has this step only where there is one
    points: list[tuple[float, float]] = []
    doubt = 0.0
    while True:
        litres = _litres(points, most=reservoir.depth_table[-1][1])
        if litres is None and 0 < len(points) < FEWEST_POINTS:
            click.echo(f"{FEWEST_POINTS} levels are needed to judge by. Say more litres, or u.")
            continue
        if litres is None:
            break
        found = looked(walk, [probe.name], count=SETTLED)[probe.name]
        levels = [reading for reading in found if reading.value is not None]
        values = [reading.value for reading in levels if reading.value is not None]
        if not values:
            click.echo("No level came. Look at its bus, then say the litres again.")
        elif not is_calm(values):
            click.echo(
                f"The level still moves, from {min(values):.1f} to {max(values):.1f} mm. Wait "
                "until it is calm, then say the litres again."
            )
        else:
            doubt = levels[-1].uncertainty or doubt
            points.append((litres, centre(values)))
            click.echo(f"{litres:g} L: {points[-1][1]:.1f} mm")
    try:
        return judge_pour(reservoir, points, uncertainty=doubt)
    except PhysicsError as error:
        click.echo(f"{error}. Pour again.")
        return None


def _litres(points: list[tuple[float, float]], *, most: float) -> float | None:
    """The litres after a pour, more than before; None ends. The last ones may be taken back."""
    checked = number_of("litres", 0.0, most)
    words = "Litres now in the tray by the can, 0 if empty; Enter ends, u takes the last back"
    while typed := line(words):
        if typed.lower() == "u":
            gone = f"{points.pop()[0]:g} L is taken back." if points else "Nothing was said yet."
            click.echo(gone)
            continue
        try:
            litres = checked(typed)
        except click.BadParameter as error:
            click.echo(error.message)
            continue
        if not points or litres > points[-1][0]:
            return litres
        click.echo(
            f"{litres:g} L is not more than the {points[-1][0]:g} L before: say all that is in "
            "the tray now, or u if the last was a slip."
        )
    return None
