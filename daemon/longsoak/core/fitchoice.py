"""Which form to take, and what it costs to have had the choice. Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import sqrt

from longsoak.core.fitting import Fit, Pair, Shift, fit
from longsoak.core.straightened import FORMS
from longsoak.vocabulary.curve import Form
from longsoak.vocabulary.errors import PhysicsError

# Degrees of freedom that choosing among forms takes: the least scatter of several is smaller than
# the true one's. Found by simulation, tests/reference/test_fit_coverage.py: from 5 pairs up twice
# the stated uncertainty then holds 94 to 97.5 %, whichever form is the true one; a form that is
# told apart at once gets the most, and a whole degree would make it hold 98 %.
CHOICE_COSTS = 0.8


def compare(
    pairs: Sequence[Pair],
    *,
    reference_temperature: float | None = None,
    per_kelvin: float | None = None,
    u_per_kelvin: float = 0.0,
) -> dict[Form, Fit | PhysicsError]:
    """Fit every form, or say why one can't be. See `longsoak.core.fitting.fit`."""
    found: dict[Form, Fit | PhysicsError] = {}
    for form in FORMS:
        try:
            found[form] = fit(
                pairs,
                form,
                reference_temperature=reference_temperature,
                per_kelvin=per_kelvin,
                u_per_kelvin=u_per_kelvin,
            )
        except PhysicsError as error:
            found[form] = error
    return found


def best(found: Iterable[Fit | PhysicsError]) -> Fit | None:
    """The one of the least left-out error; one that rises only if none falls.

    Chosen from several, it has paid for the choice: its scatter counts wider and rests on fewer
    degrees of freedom, as if the form had been one coefficient more.
    """
    fits = [one for one in found if isinstance(one, Fit)]
    if not fits:
        return None
    chosen = min(fits, key=lambda one: (not one.falls, one.left_out_error, one.error))
    return chosen if len(fits) == 1 else _paid(chosen)


def _paid(found: Fit) -> Fit:
    """The same line with its scatter spread over fewer degrees of freedom."""
    line = found.line
    freedom = max(1.0, line.freedom - CHOICE_COSTS)
    wider = line.freedom / freedom  # of variances
    given = found.shift is Shift.GIVEN  # its uncertainty is not of these pairs' making
    return replace(
        found,
        line=replace(
            line,
            freedom=freedom,
            deviation=line.deviation * sqrt(wider),
            covariance=tuple(tuple(c * wider for c in row) for row in line.covariance),
        ),
        covariance=(
            (found.covariance[0][0] * wider, found.covariance[0][1] * wider),
            (found.covariance[1][0] * wider, found.covariance[1][1] * wider),
        ),
        per_kelvin_uncertainty=found.per_kelvin_uncertainty * (1.0 if given else sqrt(wider)),
        with_shift=found.with_shift
        if given
        else (found.with_shift[0] * wider, found.with_shift[1] * wider),
        spent=line.freedom - freedom,
    )
