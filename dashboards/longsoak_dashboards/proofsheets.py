"""The proof's sheets on a phone: how far it is, each channel, the safety list, a touch live."""

import re
from typing import NoReturn
from urllib.parse import unquote

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from longsoak.core.proof.book import Book, Proof
from longsoak.core.proof.safety import DECIDES, SHORTEST_NAME
from longsoak.core.proof.touch import RESTING
from longsoak.proving.sheet import certificate
from longsoak.proving.walk import Walk
from longsoak.store.files import recording
from longsoak.store.photos import photo_at
from longsoak.store.proofrequests import LONGEST
from longsoak.store.requests import LONGEST_INITIALS
from longsoak.vocabulary.errors import RequestError, StoreError
from longsoak.vocabulary.reading import Reading
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.access.sessions import visit
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.guards import with_style
from longsoak_dashboards.initials import RESISTOR, by_of
from longsoak_dashboards.looks import Looks
from longsoak_dashboards.photoforms import photo_answer
from longsoak_dashboards.pouring import Pour, litres_most, poured_of, settled
from longsoak_dashboards.sheets import Sheets, sheet
from longsoak_dashboards.source import Source
from longsoak_dashboards.view import proof as proof_view
from longsoak_dashboards.view.card import card_page
from longsoak_dashboards.view.touch import touch_page, touches_since

_POURING = 86_400.0  # s that a reservoir may be poured into for one judgement
_AHEAD_MS = 60_000  # a pass may carry a time a little ahead of a look


class ProofSheets(Sheets):
    """What is looked at while walking along the channels."""

    first = "/proof"

    def __init__(self, source: Source, looks: Looks) -> None:
        super().__init__(source)
        self.looks = looks

    @sheet
    def proof(self, request: Request) -> Response:
        """How far the newest proof is, or how to begin one."""
        look = self.looks.under_way
        page = proof_view.proof_page(self.book(), look, self.looks.failed, now_ms=now_ms())
        return self._show("proof.html.j2", request, page=page, waiting=look is not None)

    @sheet
    def safety(self, request: Request) -> Response:
        """The safety list."""
        book = self.book()
        proof = book.under_way
        rows = () if proof is None else proof_view.safety_rows(book, proof)
        return self._show(
            "proofsafety.html.j2", request, rows=rows, decides=DECIDES, shortest=SHORTEST_NAME
        )

    @sheet
    def at(self, request: Request) -> Response:
        """One channel: its steps, and what to do for each."""
        book = self.book()
        probe = probe_of(request.path_params["name"], book)
        proof = book.newest
        if proof is None:
            return RedirectResponse("/proof", status_code=303)
        if probe is None:
            return self.refuse("There is no such channel to prove.", 404)
        page = proof_view.at_page(
            book, proof, probe, self.looks.under_way, self.looks.failed, now_ms=now_ms()
        )
        walk = self.walk(request)
        pour = self.pour_of(request.query_params.get("poured", ""), probe, walk)
        raised = self._raised(request.query_params.get("float", ""), probe, walk)
        ohm, _, percent = unquote(request.cookies.get(RESISTOR, "")).partition(" ")
        return self._show(
            "proofat.html.j2",
            request,
            page=page,
            pour=pour,
            raised=raised,
            resistor=(ohm, percent),
            litres_most=litres_most(book.rig.reservoir),
            waiting=bool(page.progress or (pour and pour.waiting) or (raised and raised.waiting)),
        )

    @sheet
    def card(self, request: Request) -> Response:
        """The installation card of a probe, to be written down."""
        book = self.book()
        probe = probe_of(request.path_params["name"], book)
        if probe is None or book.under_way is None:
            return self.refuse("No card can be written now.", 404)
        return self.show_card(request, book, probe, said=None, wrong="")

    def show_card(
        self, request: Request, book: Book, probe: Probe, *, said: dict[str, str] | None, wrong: str
    ) -> Response:
        """The card with what is kept of it, or with what was said and is wrong."""
        page = card_page(book, probe, said=said, wrong=wrong)
        return self._show("proofcard.html.j2", request, page=page, status=400 if wrong else 200)

    @sheet
    def touch(self, request: Request) -> Response:
        """Every channel live, for a touch in any order."""
        book = self.book()
        proof = book.under_way
        if proof is None:
            return RedirectResponse("/proof", status_code=303)
        since = time_of(request.query_params.get("since", ""))
        walk, names = self.walk(request), [probe.name for probe in book.rig.probes]
        page = touch_page(
            book,
            proof,
            {} if since is None else self.watched(walk, proof, since),
            since_ms=since,
            want=request.query_params.get("want"),
            patience=walk.patience(names, RESTING),
            now_ms=now_ms(),
        )
        waiting = page.stage in ("rest", "touch")
        return self._show("prooftouch.html.j2", request, page=page, waiting=waiting)

    @sheet
    def who(self, request: Request) -> Response:
        """Who walks: asked once, then remembered by this browser."""
        return self._ask_who(request, back=own_path(request.query_params.get("back", "")))

    @sheet
    def certificate(self, request: Request) -> Response:
        """A proof on A4, the newest unless one is named, as `longsoak prove --sheet` writes it."""
        book = self.book()
        of = request.query_params.get("of")
        proof = book.newest if of is None else book.called(of)
        if proof is None:
            return RedirectResponse("/proof", status_code=303)
        html = certificate(book, proof, first=book.baseline(proof))
        (style,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
        return HTMLResponse(html, headers=with_style(style))

    def photo(self, request: Request) -> Response:
        """A photo that is kept."""
        found = photo_at(self.source.record.folder, request.path_params["name"])
        if found is None:
            return self.refuse("There is no such photo.", 404)
        return photo_answer(*found)

    def book(self) -> Book:
        """All proofs, by the rig that is measured."""
        rig, _ = self.source.rig()
        return Book(self.source.record.proof_entries(), rig)

    def walk(self, request: Request) -> Walk:
        """A walk of whoever asks."""
        rig, _ = self.source.rig()
        return Walk(self.source.record, rig, by=by_of(request), now_ms=now_ms, wait=self.looks.wait)

    def ready(self, request: Request) -> tuple[Walk, Proof]:
        """A walk and the proof under way, if somebody measures who could answer.

        Raises
        ------
        RequestError
            It is not known who asks, or no proof is under way.
        StoreError
            Nothing measures.
        """
        walk = self.able(request)
        proof = walk.book().under_way
        if proof is None:
            raise RequestError("No proof is under way. Begin one first; nothing was kept.")
        return walk, proof

    def able(self, request: Request) -> Walk:
        """A walk, proof or not.

        Raises
        ------
        RequestError, StoreError
            As for `ready`.
        """
        if not by_of(request):
            raise RequestError("Say who you are first. Nothing was kept.")
        if not recording(self.source.record.folder):
            raise StoreError(
                "Nothing measures now, so nothing can be proven. Start the measuring process: "
                f"longsoak run {self.source.rig_file.name}"
            )
        return self.walk(request)

    def watched(self, walk: Walk, proof: Proof, since_ms: int) -> dict[str, list[Reading]]:
        """The readings that a touch can be told by; none once a closer look is over.

        An address may be months old, as of a phone that finds its tab again, and a walk along many
        pairs takes hours: what came long before the last touch is not read again each second.
        """
        touches = touches_since(proof, since_ms)
        last = touches[-1].utc_ms if touches else since_ms
        if not _is_recent(last, LONGEST):
            return {}
        names = [probe.name for probe in walk.rig.probes]
        rest_ms = round(1000 * walk.patience(names, RESTING))
        return walk.readings(names, since_ms=max(since_ms, last - rest_ms))

    @staticmethod
    def pour_of(words: str, probe: Probe, walk: Walk) -> Pour | None:
        """The levels after the litres that an address or a form speaks of."""
        poured, reservoir = poured_of(words), walk.rig.reservoir
        if not poured or reservoir is None or reservoir.level != probe.name:
            return None
        if not _is_recent(poured[0][1], _POURING):
            return None
        return settled(poured, walk.readings([probe.name], since_ms=poured[0][1])[probe.name])

    @staticmethod
    def _raised(words: str, probe: Probe, walk: Walk) -> proof_view.Raised | None:
        since = time_of(words)
        if since is None or not _is_recent(since, LONGEST):
            return None
        readings = walk.readings([probe.name], since_ms=since)[probe.name]
        return proof_view.raised(readings, since_ms=since, now_ms=now_ms())

    def _show(
        self,
        template: str,
        request: Request,
        *,
        waiting: bool = False,
        status: int = 200,
        **shown: object,
    ) -> Response:
        """A sheet that asks who reads it first."""
        by = by_of(request)
        if not by and visit().may_change:  # who only reads takes no step
            query = f"?{request.url.query}" if request.url.query else ""
            return self._ask_who(request, back=own_path(f"{request.url.path}{query}"))
        heading = self.source.heading(now_ms=now_ms())
        return self.render(
            template, "/proof", heading, status=status, by=by, waiting=waiting, **shown
        )

    def _ask_who(self, request: Request, *, back: str | None) -> Response:
        return self.render(
            "proofwho.html.j2",
            "/proof",
            self.source.heading(now_ms=now_ms()),
            back=back or "/proof",
            by=by_of(request),
            longest=LONGEST_INITIALS,
            waiting=False,
        )


def _is_recent(utc_ms: int, seconds: float) -> bool:
    return -_AHEAD_MS <= now_ms() - utc_ms <= 1000 * seconds


def probe_of(name: str, book: Book) -> Probe | None:
    """The probe of that name, if the rig has one."""
    return next((probe for probe in book.rig.probes if probe.name == name), None)


def needed(name: str, book: Book) -> Probe:
    """The probe of that name.

    Raises
    ------
    RequestError
        The rig has none.
    """
    return probe_of(name, book) or _no_probe(name)


def _no_probe(name: str) -> NoReturn:
    raise RequestError(f"The rig has no probe {name!r}. Nothing was kept.")


def own_path(path: str) -> str | None:
    """A path of these pages to come back to; anything that leads elsewhere is dropped."""
    fits = path.startswith("/proof") and path.isprintable() and "\\" not in path
    return path if fits else None


def time_of(words: str) -> int | None:
    """A time in ms since 1970 as an address holds it; None for anything else."""
    return int(words) if words.isascii() and words.isdigit() and len(words) <= 15 else None
