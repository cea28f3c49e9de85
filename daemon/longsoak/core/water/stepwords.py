"""A step of the level as news: which of the things that happen to water it was. Pure."""

from longsoak.core.water.topups import Step
from longsoak.vocabulary.water import Found, WaterNews

# s that a fall has to last to be called a siphon: a can is drawn off faster. Own choice.
SIPHON_LASTS = 600.0


def step_news(step: Step, *, stop: float) -> WaterNews:
    """Tell a step.

    Parameters
    ----------
    step : Step
        As `longsoak.core.water.topups` found it.
    stop : float
        Where a top-up ends, mm.
    """
    litres = f"{abs(step.litres):.2f} ± {2 * step.litres_u:.2f} L"
    heights = f"from {step.before_mm:.1f} to {step.after_mm:.1f} mm"
    while_away = " while nothing was measured" if step.gap else ""
    lasted = step.end - step.begin
    if step.litres > 0:
        found, says = Found.TOP_UP, f"{litres} came in{while_away}, {heights}."
        if step.after_mm > stop:
            says += f" That is {step.after_mm - stop:.0f} mm above the stop."
    elif step.gap or step.back or lasted < SIPHON_LASTS:
        found, says = Found.DRAWN_OFF, f"{litres} went out{while_away}, {heights}."
    else:
        found = Found.SIPHON
        says = (
            f"{litres} ran out within {lasted / 60:.0f} min, {heights}, and stopped there: a hose "
            "may siphon. Lift its end above the water, and look where the water went."
        )
    if step.back:
        says += " An equal step undoes it: if nobody moved water, it was the sensor, or film."
    figures = {
        "litres": abs(step.litres),
        "litres_u": step.litres_u,
        "before_mm": step.before_mm,
        "after_mm": step.after_mm,
        "gap": float(step.gap),
        "back": float(step.back),
    }
    return WaterNews(found, step.begin, step.end, says, figures=figures)
