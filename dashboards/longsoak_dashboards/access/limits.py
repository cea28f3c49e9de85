"""How fast anybody may ask: a bucket for each who asks, and one for all of them together.

Nothing here grows: whoever was not heard of for longest is forgotten.
"""

from collections import OrderedDict
from dataclasses import dataclass, field
from ipaddress import IPv6Address, ip_address

_MOST = 2048  # of whom is remembered; some 300 bytes each
_ALL = "all"


@dataclass(slots=True)
class Limit:
    """So many at once, and so many a second from then on.

    Parameters
    ----------
    burst : float
        How many may come at once.
    a_second : float
        How many more each second.
    """

    burst: float
    a_second: float
    _left: OrderedDict[str, tuple[float, float]] = field(default_factory=OrderedDict)

    def wait(self, who: str = _ALL, *, now: float, cost: float = 1.0) -> float:
        """Take one, and return 0; or nothing, and return how many s one has to wait.

        Parameters
        ----------
        who : str
            Who asks.
        now : float
            Any clock that only runs on, s.
        cost : float
            How many it counts for.
        """
        left, since = self._left.pop(who, (self.burst, now))
        left = min(self.burst, left + (now - since) * self.a_second)
        short = min(cost, self.burst) - left
        self._left[who] = (left if short > 0 else left - cost, now)
        if len(self._left) > _MOST:
            self._left.popitem(last=False)
        return max(0.0, short / self.a_second)

    def forgive(self, who: str) -> None:
        """Let somebody begin afresh."""
        self._left.pop(who, None)


def neighbourhood(address: str) -> str:
    """What counts as one who asks: an address, or the network that one IPv6 line has.

    A household is given 2^64 IPv6 addresses (RFC 6177, from memory).
    """
    try:
        found = ip_address(address)
    except ValueError:
        return address
    if not isinstance(found, IPv6Address):
        return str(found)
    if found.ipv4_mapped:
        return str(found.ipv4_mapped)
    return str(IPv6Address(int(found) >> 64 << 64)) if not found.is_loopback else str(found)
