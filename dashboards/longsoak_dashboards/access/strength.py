"""Which passwords are refused: too short, or among the first that anybody would try.

NIST SP 800-63B, revision 4, section 3.1.1.2: 15 characters where a password stands alone (the final
text second hand; its second public draft, read, has 15 as a recommendation), a list of common and
expected ones, and no rules about kinds of characters. As a list of these stands zxcvbn, which knows
common passwords, words, names, dates, rows of keys, and repetitions of all of them.
"""

from collections.abc import Sequence

from longsoak_dashboards.access.passwords import LONGEST, plain

SHORTEST = 15  # characters
# Guesses. All logins that `limits` lets through in a year come to some millions.
_FEWEST = 1e9
_LOOKED_AT = 72  # characters; zxcvbn takes no more, and none that long is common
_HOW = "Four words that have nothing to do with each other are easy to type on a phone."


def why_refused(password: str, *, names: Sequence[str]) -> str | None:
    """Why a password is not taken, in sentences; None where it is.

    Parameters
    ----------
    password : str
        As it was typed.
    names : sequence of str
        What anybody at this rig would try first, such as its name.
    """
    from zxcvbn import zxcvbn  # lists of words: 2 MB that only this needs

    words = plain(password)
    if len(words) < SHORTEST:
        return f"It has {len(words)} characters, at least {SHORTEST} are taken. {_HOW}"
    if len(words) > LONGEST:
        return f"It has {len(words)} characters, at most {LONGEST} are taken."
    if not words.isprintable():
        return "It has characters that can't be printed, so nobody could type it."
    expected = ["longsoak", *names, *(part for name in names for part in name.split())]
    # Spaces between them make expected words no harder to guess.
    both = (words, "".join(words.split()))
    if min(zxcvbn(one[:_LOOKED_AT], user_inputs=expected)["guesses"] for one in both) < _FEWEST:
        return f"It would be among the first that anybody tries. {_HOW}"
    return None
