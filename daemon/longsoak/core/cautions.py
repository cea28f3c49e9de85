"""What the values of a rig's pins can't be taken for, the same on pages and in the terminal."""

from longsoak.vocabulary.curve import MadeFor
from longsoak.vocabulary.rig import FILLS, QUANTITY_WORDS, Quantity, Rig

_MC, _WME, _MC_DOWEL = (
    QUANTITY_WORDS[quantity]
    for quantity in (Quantity.MOISTURE_CONTENT, Quantity.WOOD_EQUIVALENT, Quantity.DOWEL)
)
_WOOD_EQUIVALENT = (
    f"{_WME} is wood-equivalent, what wood of the same resistance would hold: compare it with "
    "itself only. Salts and alkali make it read too wet."
)
_DOWEL = (
    f"{_MC_DOWEL} is the moisture content of the wooden dowel the pins sit in, which follows the "
    "humidity around it, days late. Salts and alkali make it read too wet."
)
_OWN_CURVE = {
    MadeFor.MINERAL: f"{_MC} by a curve fitted to a mineral material holds for the batch and the "
    "salt state of its samples only: salts and the alkali of lime and cement conduct like water "
    "does, and where they have gathered since it reads too wet.",
    MadeFor.BOARD: f"{_MC} by a curve fitted to a board holds for that make of board and its salt "
    "state only: salts and the alkali of glue and cement conduct like water does, and where they "
    "have gathered since it reads too wet.",
}


_FILLS = (
    "{names}: never the only thing between the supply and the floor. Wire a float switch in series "
    "with it that shuts it by itself when the water is too high, whatever a program says; let it "
    "close without current, by its spring; and give the reservoir an overflow. Mains wiring is "
    "work for a licensed person, under your local electrical code."
)


def output_cautions(rig: Rig) -> tuple[str, ...]:
    """What has to be said of outputs that let water in. The wording is common practice."""
    names = " and ".join(output.name for output in rig.outputs if output.kind in FILLS)
    return (_FILLS.format(names=names),) if names else ()


def cautions(rig: Rig) -> tuple[str, ...]:
    """What has to be said beside the values of this rig, one caution for each kind of them.

    Empty where all pins sit in timber under curves for wood, or there are none. The wording is
    common practice.
    """
    pins = [probe for probe in rig.probes if probe.quantity is not None]
    found = {probe.quantity for probe in pins}
    # A value is a moisture content under a curve that is not for wood only in what the curve was
    # fitted to, so that the curve tells what the pins sit in.
    own = {
        rig.curves[probe.curve].made_for
        for probe in pins
        if probe.quantity is Quantity.MOISTURE_CONTENT and probe.curve is not None
    }
    return (
        *(words for made_for, words in _OWN_CURVE.items() if made_for in own),
        *((_WOOD_EQUIVALENT,) if Quantity.WOOD_EQUIVALENT in found else ()),
        *((_DOWEL,) if Quantity.DOWEL in found else ()),
    )
