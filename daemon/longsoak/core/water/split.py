"""What of the lost water evaporated, what was taken up, and whether the books close. Pure."""

from math import hypot, isnan, nan, sqrt
from typing import NamedTuple

from longsoak.core.water.decline import Rate
from longsoak.vocabulary.rig import EvaporationPan, Weighs

COVERAGE = 2.0  # of a standard uncertainty, about 95 %: JCGM 100, 6.3.3 (from memory)
# kg/L at 20 degC, within 0.3 % from 5 to 30 (physics.md, computed with CoolProp).
DENSITY = 0.9982


class Part(NamedTuple):
    """An amount with its standard uncertainty, L or L/d; NaN is not known."""

    litres: float
    u: float


NOT_KNOWN = Part(nan, nan)


class Split(NamedTuple):
    """What is lost a day, L/d: all of it, what evaporated, what was taken up, what remains.

    `rest` is what is lost beyond the parts that are known.
    """

    lost: Part
    evaporated: Part
    taken_up: Part
    rest: Part


def evaporation(pan: Rate, fitted: EvaporationPan, surface: float) -> Part:
    """What evaporates from a free surface, by a pan in the same air.

    Parameters
    ----------
    pan : Rate
        How fast the pan's level goes down, mm/d.
    fitted : EvaporationPan
        Its factor, which says how much more or less the reservoir loses for each m2.
    surface : float
        The reservoir's free surface, m2: 1 mm of it is that many litres.

    Returns
    -------
    Part
        L/d.

    References
    ----------
    A blank tray beside the specimen's, subtracted: common practice. JCGM 100, 5.1.2.
    """
    by_area = pan.per_day * surface
    u = hypot(pan.uncertainty * surface * fitted.factor, by_area * fitted.factor_uncertainty)
    return Part(by_area * fitted.factor, u)


def by_mass(rate: Rate) -> Part:
    """A mass that becomes less, kg/d, in L/d."""
    return Part(rate.per_day / DENSITY, rate.uncertainty / DENSITY)


def split(
    lost: Rate,
    *,
    pan: Part = NOT_KNOWN,
    scale: Part = NOT_KNOWN,
    weighs: Weighs | None = None,
) -> Split:
    """Divide what is lost a day.

    Parameters
    ----------
    lost : Rate
        How fast the reservoir loses water, L/d.
    pan : Part
        What evaporates by a pan, L/d.
    scale : Part
        What a scale becomes lighter by, L/d. A specimen that takes water up becomes heavier.
    weighs : Weighs, optional
        What stands on it. A reservoir's own scale is a second witness of all that is lost.

    Returns
    -------
    Split
        Without a pan, and without a scale under the specimen, what it is of is not known.
    """
    whole = Part(lost.per_day, lost.uncertainty)
    if weighs is Weighs.RESERVOIR and not isnan(scale.litres):
        whole = _both(whole, scale)
    taken = NOT_KNOWN
    if weighs is Weighs.SPECIMEN and not isnan(scale.litres):
        taken = Part(-scale.litres, scale.u)
    elif not isnan(pan.litres):
        taken = Part(whole.litres - pan.litres, hypot(whole.u, pan.u))
        return Split(whole, pan, taken, NOT_KNOWN)
    rest = whole
    for part in (pan, taken):
        if not isnan(part.litres):
            rest = Part(rest.litres - part.litres, hypot(rest.u, part.u))
    if isnan(pan.litres) and not isnan(taken.litres):
        return Split(whole, rest, taken, NOT_KNOWN)
    return Split(whole, pan, taken, NOT_KNOWN if isnan(taken.litres) else rest)


def _both(a: Part, b: Part) -> Part:
    """Two witnesses of one thing: the mean weighted by their uncertainties."""
    if a.u == 0.0 or b.u == 0.0:
        return a if a.u == 0.0 else b
    wa, wb = a.u**-2, b.u**-2
    return Part((a.litres * wa + b.litres * wb) / (wa + wb), sqrt(1.0 / (wa + wb)))


class Balance(NamedTuple):
    """The books of a time, litres, each with its standard uncertainty.

    `unaccounted` is topped up, less drawn off, evaporated, taken up, and what there is more of in
    the reservoir. `says` tells whether they close.
    """

    days: float
    topped_up: Part
    drawn_off: Part
    evaporated: Part
    taken_up: Part
    more: Part
    unaccounted: Part

    @property
    def closes(self) -> bool | None:
        """Whether what is unaccounted for is within its doubt; None where a part is missing."""
        if isnan(self.unaccounted.litres):
            return None
        return abs(self.unaccounted.litres) <= COVERAGE * self.unaccounted.u

    @property
    def lost(self) -> Part:
        """What evaporated and was taken up together, as the level tells it."""
        return Part(
            self.topped_up.litres - self.drawn_off.litres - self.more.litres,
            hypot(self.topped_up.u, self.drawn_off.u, self.more.u),
        )

    @property
    def went(self) -> list[tuple[str, Part]]:
        """What went, in words: what no witness tells apart is told together, so that it adds up."""
        drawn = [("drawn off", self.drawn_off)] if self.drawn_off.litres else []
        parts = [("evaporated", self.evaporated), ("taken up by the specimen", self.taken_up)]
        known = [(words, part) for words, part in parts if not isnan(part.litres)]
        if not known:
            return [*drawn, ("evaporated, taken up or lost unseen", self.lost)]
        if self.remains is None:
            return [*drawn, *known]
        words = "taken up" if isnan(self.taken_up.litres) else "evaporated"
        return [*drawn, *known, (f"{words} or lost unseen, by difference", self.remains)]

    @property
    def remains(self) -> Part | None:
        """Of what is lost, what the one known part leaves; None unless just one is known.

        By difference, so that it holds whatever was lost unseen too.
        """
        known = [p for p in (self.evaporated, self.taken_up) if not isnan(p.litres)]
        if len(known) != 1:
            return None
        return Part(self.lost.litres - known[0].litres, hypot(self.lost.u, known[0].u))


def balance(
    days: float,
    *,
    topped_up: Part,
    drawn_off: Part,
    more: Part,
    evaporated: Part = NOT_KNOWN,
    taken_up: Part = NOT_KNOWN,
) -> Balance:
    """Draw up the books; a part that is not known leaves open whether they close."""
    unaccounted = Part(
        topped_up.litres - drawn_off.litres - evaporated.litres - taken_up.litres - more.litres,
        hypot(topped_up.u, drawn_off.u, evaporated.u, taken_up.u, more.u),
    )
    return Balance(days, topped_up, drawn_off, evaporated, taken_up, more, unaccounted)
