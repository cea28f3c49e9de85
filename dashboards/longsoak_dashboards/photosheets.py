"""Photos of the logbook: as they were sent, small, and one by one on a sheet of their own."""

import anyio
import anyio.to_thread
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from longsoak.store.photos import photo_at
from longsoak.store.thumbnails import WIDTHS, thumbnail
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.logasking import LogAsking
from longsoak_dashboards.photoforms import FOR_EVER, photo_answer
from longsoak_dashboards.sheets import sheet
from longsoak_dashboards.source import Source
from longsoak_dashboards.view.photos import photo_page


class PhotoSheets(LogAsking):
    """The photos in the logbook of one rig."""

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self._one: anyio.CapacityLimiter | None = None

    def photo(self, request: Request) -> Response:
        """A photo that is kept, to the byte."""
        found = photo_at(self.source.record.folder, request.path_params["name"])
        if found is None:
            return self.refuse("There is no such photo.", 404)
        return photo_answer(*found)

    async def thumbnail(self, request: Request) -> Response:
        """A small picture of one; those that are yet to be made hold up no other sheet."""
        digest, _, width = request.path_params["name"].removesuffix(".jpg").rpartition("-")
        size = int(width) if width in map(str, WIDTHS) else 0
        if self._one is None:  # here: it belongs to the loop that runs
            self._one = anyio.CapacityLimiter(1)
        found = await anyio.to_thread.run_sync(
            thumbnail, self.source.record.folder, digest, size, limiter=self._one
        )
        if found is None:
            return PlainTextResponse("There is no such picture.\n", status_code=404)
        return Response(found, media_type="image/jpeg", headers=FOR_EVER)

    @sheet
    def one(self, request: Request) -> Response:
        """One photo, large, with what was written beside it."""
        number, place = (int(request.path_params[name]) for name in ("number", "place"))
        heading = self.source.heading(now_ms=now_ms())
        page = photo_page(
            self.log.entries(),
            number,
            place,
            now_ms=heading.now_ms,
            files=self.files,
        )
        if page is None:
            return self.refuse(f"Entry {number} has no photo {place}.", 404)
        return self.render(
            "photo.html.j2", "/logbook", heading, page=page, waiting=False, told=None
        )
