"""Words beside a drawing, at the height of what they name, spread so that none covers another."""

from collections.abc import Sequence

LINE = 14.0  # px from one line of words to the next


def spread(
    wanted: Sequence[float], sizes: Sequence[float], *, low: float, high: float
) -> list[float]:
    """Where the middles of blocks of words go, px from the top.

    Parameters
    ----------
    wanted : sequence of float
        Where each would like its middle.
    sizes : sequence of float
        How high each is.
    low, high : float
        Between which they have to stay; where they don't fit, they run over `high`.

    Blocks that would touch share what they have to move: they are put on end round the middle of
    what they wanted (the pooling of neighbours in isotonic regression, from memory).
    """
    order = sorted(range(len(wanted)), key=lambda i: (wanted[i], i))
    # A pool is its blocks on end, its height, and where its top would like to be.
    pools: list[tuple[list[int], float, float]] = []
    for i in order:
        pool = ([i], sizes[i], _within(wanted[i] - sizes[i] / 2, sizes[i], low, high))
        while pools and pools[-1][1] + pools[-1][2] > pool[2]:
            blocks, size, top = pools.pop()
            many, more = len(blocks), len(pool[0])
            together = size + pool[1]
            middle = (top * many + (pool[2] - size) * more) / (many + more)
            pool = ([*blocks, *pool[0]], together, _within(middle, together, low, high))
        pools.append(pool)
    found = [0.0] * len(wanted)
    for blocks, _, top in pools:
        for i in blocks:
            found[i] = top + sizes[i] / 2
            top += sizes[i]
    return found


def _within(top: float, size: float, low: float, high: float) -> float:
    return max(low, min(top, high - size))


def in_lines(words: str, *, longest: int, most: int = 2) -> list[str]:
    """Words in lines of up to `longest` characters; what has no room ends in an ellipsis."""
    lines: list[str] = [""]
    for word in words.split(" "):
        joined = f"{lines[-1]} {word}".strip()
        if len(joined) <= longest or not lines[-1]:
            lines[-1] = joined
        else:
            lines.append(word)
    if len(lines) > most:
        lines = [*lines[: most - 1], " ".join(lines[most - 1 :])]
    return [line if len(line) <= longest else f"{line[: longest - 1]}\u2026" for line in lines]
