"""The time since the face met the water, in words. Pure."""


def elapsed_words(seconds: float) -> str:
    """Seconds in the unit they are easily read in: "45 s", "4 h", "2.5 d"."""
    for unit, each in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * each or seconds == each:
            return f"{seconds / each:.4g} {unit}"
    return f"{seconds:.4g} s"
