"""How outlets are, as alarms see it: many routes may share one server."""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from longsoak.vocabulary.notices import Route


class Shown(NamedTuple):
    """What an alarm about an outlet is shown: its subject, and what is wrong or None."""

    subject: str
    away: str | None


class OutletBook:
    """Puts together what outlets tell, by the server they talk to.

    A mail server that is away is one thing wrong though five people are mailed through it. What a
    server refuses for good is another thing: it is there.

    Parameters
    ----------
    routes : iterable of Route
        Those of notices; any other outlet has a server of its own.
    """

    def __init__(self, routes: Iterable[Route]) -> None:
        self._routes = {route.name: route for route in routes}
        self._away: dict[str, str | None] = {}
        self._refuses: dict[str, str | None] = {}

    def why_away(self, outlet: str) -> str | None:
        """What was wrong with an outlet's last attempt; None where nothing was."""
        return self._away.get(outlet)

    def away(self, outlet: str, says: str | None) -> Iterator[Shown]:
        """Take how an outlet's last attempt went; what alarms are to be shown now."""
        self._away[outlet] = says
        yield from self._shown(outlet)

    def refuses(self, outlet: str, says: str | None) -> Iterator[Shown]:
        """Take what an outlet's peer refuses for good; what alarms are to be shown now."""
        self._refuses[outlet] = says
        yield from self._shown(outlet)

    def _shown(self, outlet: str) -> Iterator[Shown]:
        route, server = self._routes.get(outlet), self._server(outlet)
        wrong = [
            says
            for name, says in self._away.items()
            if says is not None and self._server(name) == server
        ]
        refused = self._refuses.get(outlet)
        if route is not None and route.refuser == server and refused is not None:
            wrong.append(f"refused: {refused}")
        yield Shown(server, wrong[0] if wrong else None)
        # Until something was sent nobody knows whether an address is refused still.
        if route is not None and route.refuser != server and outlet in self._refuses:
            yield Shown(route.refuser, None if refused is None else f"refused: {refused}")

    def _server(self, outlet: str) -> str:
        route = self._routes.get(outlet)
        return outlet if route is None else route.server
