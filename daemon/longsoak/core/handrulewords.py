"""What is declared of readings by hand, in a sentence. Pure."""

from longsoak.vocabulary.handrule import HandRule, Wins

_WINS = {
    Wins.HAND: "the value by hand counts",
    Wins.EMBEDDED: "the embedded value counts",
    Wins.NEITHER: "neither counts above the other",
}


def wins_words(rule: HandRule) -> str:
    """Which value counts where the two differ."""
    return _WINS[rule.wins]


def rule_words(rule: HandRule) -> str:
    """What a rule says: what counts, by how much two may differ, and which places are one."""
    scales = "".join(
        f"; the scale {scale} is the curve {curve}" for scale, curve in rule.scales.items()
    )
    return (
        f"where hand and pins differ {wins_words(rule)}; up to {rule.tolerance:g} % they agree; a "
        f"place is that of pins within {rule.depth_within:g} mm of depth and "
        f"{rule.height_within:g} mm of height{scales}"
    )
