"""Mistakes in settings.py, each as a sentence."""

import settings

CHECKS = ("REF", "OPEN", "SHORT")
EMF = ".emf"  # after a name: the voltage its electrodes make themselves
_LONGEST = 24 - len(EMF)
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.-"


def is_name(text: str) -> bool:
    """Whether a text is made of the letters a name may have."""
    return bool(text) and all(letter in _LETTERS for letter in text)


def mistakes() -> list[str]:
    """All mistakes there are, in sentences that name the setting and what it may be."""
    return _parts() + _pins() + _channels()


def _parts() -> list[str]:
    found = []
    ranges, lines = settings.RANGES, len(settings.RANGE_ADDRESS)
    if not 1 <= len(ranges) <= 1 << lines:
        found.append(
            f"RANGES has {len(ranges)} resistors, expected 1 to {1 << lines}, "
            f"as RANGE_ADDRESS has {lines} lines."
        )
    if any(not ohm > 0 for ohm in ranges) or list(ranges) != sorted(ranges):
        found.append(f"RANGES is {ranges!r}, expected Ohm above 0, rising.")
    if len(settings.SETTLE) != len(ranges):
        found.append(
            f"SETTLE has {len(settings.SETTLE)} times and RANGES {len(ranges)} resistors, "
            "expected one time for each."
        )
    for name, value in (
        ("SUPPLY", settings.SUPPLY),
        ("REFERENCE", settings.REFERENCE),
        ("MOST", settings.MOST),
    ):
        if not value > 0:
            found.append(f"{name} is {value!r}, expected more than 0.")
    if not settings.SERIES >= 0:
        found.append(f"SERIES is {settings.SERIES!r}, expected 0 Ohm or more.")
    return found


def _pins() -> list[str]:
    used: dict[int, list[str]] = {}
    for name, gpios in (
        ("PAIR_ADDRESS", settings.PAIR_ADDRESS),
        ("BANKS", settings.BANKS),
        ("RANGE_ADDRESS", settings.RANGE_ADDRESS),
        ("RANGE_ENABLE", (settings.RANGE_ENABLE,)),
        ("DRIVE", (settings.DRIVE,)),
        ("RETURN", (settings.RETURN,)),
        ("SENSE", (settings.SENSE,)),
        ("PROMPT", (settings.PROMPT,)),
    ):
        for gpio in gpios:
            used.setdefault(gpio, []).append(name)
    return [
        f"GPIO {gpio} is in {_listed(names)}, expected in one setting and there once."
        for gpio, names in sorted(used.items())
        if len(names) > 1
    ]


def _channels() -> list[str]:
    found = [
        f"CHANNELS has no {name}: every scan needs REF, OPEN and SHORT."
        for name in CHECKS
        if name not in settings.CHANNELS
    ]
    banks, addresses = len(settings.BANKS), 1 << len(settings.PAIR_ADDRESS)
    used: dict[tuple[int, int], list[str]] = {}
    for name, (bank, address) in sorted(settings.CHANNELS.items()):
        if not is_name(name) or len(name) > _LONGEST or name.endswith(EMF):
            found.append(
                f"CHANNELS has the name {name!r}, expected letters, digits, _ . and -, "
                f"at most {_LONGEST}, not ending in {EMF}."
            )
        if not 0 <= bank < banks:
            found.append(f"CHANNELS has {name} in bank {bank}, expected 0 to {banks - 1}.")
        if not 0 <= address < addresses:
            found.append(f"CHANNELS has {name} at {address}, expected 0 to {addresses - 1}.")
        used.setdefault((bank, address), []).append(name)
    for (bank, address), names in sorted(used.items()):
        if len(names) > 1:
            found.append(
                f"CHANNELS has {_listed(names)} in bank {bank} at {address}: give each its own."
            )
    return found


def _listed(names: list[str]) -> str:
    return " and ".join(names)
