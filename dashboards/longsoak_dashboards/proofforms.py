"""The proof's forms: what a person did at a channel is judged, and kept through the inbox."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import wraps
from importlib.metadata import version
from threading import Lock
from urllib.parse import quote, urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from longsoak.core.proof.book import Book, steps_of
from longsoak.core.proof.card import FIELDS, card_of, kept_fields, note_card
from longsoak.core.proof.finding import Finding
from longsoak.core.proof.safety import SAFETY, answered
from longsoak.core.proof.touch import judge_touch, rested
from longsoak.core.proof.water import judge_float, judge_pour
from longsoak.core.typednumber import TwoWaysError, number_typed
from longsoak.proving.cardwords import typed
from longsoak.proving.hands import SETTLED, TOUCH_TIME
from longsoak.proving.walk import EVERY, Resistor, left_out
from longsoak.store.photos import LARGEST
from longsoak.store.proofrequests import LONGEST
from longsoak.store.requests import LONGEST_INITIALS
from longsoak.store.thumbnails import keep_seen
from longsoak.vocabulary.errors import LongsoakError, PhysicsError, RequestError
from longsoak.vocabulary.proof import Step
from longsoak.vocabulary.rig import Probe
from longsoak_dashboards.clock import now_ms
from longsoak_dashboards.forms import Form, Upload, form, upload
from longsoak_dashboards.initials import INITIALS, RESISTOR, remember
from longsoak_dashboards.looks import Looks
from longsoak_dashboards.pouring import litres_most, poured_of, poured_words
from longsoak_dashboards.proofsheets import (
    ProofSheets,
    needed,
    own_path,
    time_of,
)
from longsoak_dashboards.source import NotYet, Source
from longsoak_dashboards.view.proof import why_of
from longsoak_dashboards.view.touch import touches_since

_LOOKED_AT = (Step.READS, Step.OPEN, Step.SHORT, Step.RESISTOR)
_ENVELOPE = 10_000  # bytes of a form around its photo

Asked = Callable[["ProofForms", Request, Form], Response]
Endpoint = Callable[["ProofForms", Request], Awaitable[Response]]


def _asked(handler: Asked) -> Endpoint:
    """A form's handler whose refusals become a sentence on a sheet of its own."""

    @wraps(handler)
    def answer(pages: "ProofForms", request: Request, said: Form) -> Response:
        try:
            return handler(pages, request, said)
        except (NotYet, LongsoakError) as error:
            return pages.told(error, said)

    return form(answer)


class ProofForms(ProofSheets):
    """What is asked while walking along the channels."""

    def __init__(self, source: Source, looks: Looks) -> None:
        super().__init__(source, looks)
        self._one_begins = Lock()

    def told(self, error: Exception, said: Form) -> Response:
        """Why something was not done."""
        wrong = f"{error}. Nothing was kept." if isinstance(error, PhysicsError) else f"{error}"
        back = f"/proof/at/{quote(said['probe'], safe='')}" if said.get("probe") else "/proof"
        status = 400 if isinstance(error, PhysicsError | RequestError) else 503
        return self.refuse(wrong, status, back=back)

    @form
    def say_who(self, request: Request, said: Form) -> Response:
        """Remember who walks."""
        by, back = said.get("by", ""), own_path(said.get("back", "")) or "/proof"
        if not 1 <= len(by) <= LONGEST_INITIALS or not by.isprintable():
            wrong = f"Initials are 1 to {LONGEST_INITIALS} printable characters."
            return self.refuse(wrong, 400, back=f"/proof/who?{urlencode({'back': back})}")
        return remember(RedirectResponse(back, status_code=303), INITIALS, by)

    @_asked
    def begin(self, request: Request, said: Form) -> Response:
        """Begin a proof, of all channels or of one; pressed twice, it is begun once.

        A proof under way is gone on with: whoever else walks is in the midst of it.
        """
        why = why_of(said.get("why", ""))
        if why is None:
            raise RequestError("Say what the proof is for. Nothing was begun.")
        walk = self.able(request)
        probes = [needed(said["probe"], walk.book()).name] if said.get("probe") else None
        with self._one_begins:
            if walk.book().under_way is None:
                walk.begin(why, probes=probes, software=version("longsoak"))
                self.looks.forget()
        return _to(*probes or ())

    @_asked
    def read(self, request: Request, said: Form) -> Response:
        """Look at a channel, or at all that are to be read, and keep what is found."""
        walk, proof = self.ready(request)
        book = walk.book()
        if not said.get("probe"):
            planned = [subject for step, subject in book.plan(proof) if step is Step.READS]
            to_do = [subject for step, subject in book.to_do(proof) if step is Step.READS]
            self.looks.start(walk, proof.name, Step.READS, to_do or planned, None)
            return _to()
        probe = needed(said["probe"], book)
        step = _step(said, [step for step in steps_of(probe, book.rig) if step in _LOOKED_AT])
        resistor = _resistor(said) if step is Step.RESISTOR else None
        self.looks.start(walk, proof.name, step, [probe.name], resistor)
        if resistor is None:
            return _to(probe.name)
        return remember(_to(probe.name), RESISTOR, f"{said['ohm']} {said['percent']}")

    @_asked
    def leave_out(self, request: Request, said: Form) -> Response:
        """Keep that a step was not taken, and why."""
        walk, proof = self.ready(request)
        probe = needed(said.get("probe", ""), walk.book())
        step = _step(said, steps_of(probe, walk.rig))
        walk.leave_out(proof.name, step, probe.name, reason=said.get("reason", ""))
        return _to(probe.name)

    @_asked
    def tick(self, request: Request, said: Form) -> Response:
        """Keep what was answered of the safety list: all of it, or nothing if one can't be."""
        walk, proof = self.ready(request)
        findings: dict[str, Finding] = {}
        for item in SAFETY:
            answer = said.get(f"so:{item.key}", "")
            if answer == "left out":
                findings[item.key] = left_out(said.get(f"why:{item.key}", ""), of=item.title)
            elif answer in ("yes", "no"):
                findings[item.key] = answered(item, so=answer == "yes", name=said.get("name", ""))
        for key, finding in findings.items():
            walk.keep(proof.name, Step.SAFETY, key, finding)
        return _to()

    @_asked
    def start_touch(self, request: Request, said: Form) -> Response:
        """Watch every channel closely for as long as that goes."""
        walk, _ = self.ready(request)
        names = [probe.name for probe in walk.rig.probes]
        query = {"since": str(walk.closer(names, every=EVERY, seconds=LONGEST))}
        if said.get("want"):
            query["want"] = said["want"]
        return RedirectResponse(f"/proof/touch?{urlencode(query)}", status_code=303)

    @_asked
    def keep_touch(self, request: Request, said: Form) -> Response:
        """Keep which channel moved when a probe was touched."""
        walk, proof = self.ready(request)
        probe = needed(said.get("probe", ""), walk.book())
        names = [each.name for each in walk.rig.probes]
        since = time_of(said.get("since", "")) or 0
        touches = touches_since(proof, since)
        _in_time(touches[-1].utc_ms if touches else since)
        before, after = rested(self.watched(walk, proof, since), touches)
        finding = judge_touch(probe, before, after, rig=walk.rig, touches=touches)
        walk.keep(proof.name, Step.TOUCH, probe.name, finding)
        if said.get("want"):
            return _to(probe.name)
        walk.closer(names, every=EVERY, seconds=LONGEST)  # the next one needs no new rest
        return RedirectResponse(f"/proof/touch?since={since}", status_code=303)

    @_asked
    def start_float(self, request: Request, said: Form) -> Response:
        """Watch a float while it is raised and let go."""
        walk, _ = self.ready(request)
        probe = _taking(Step.FLOAT, said.get("probe", ""), walk.book())
        since = walk.closer([probe.name], every=EVERY, seconds=3 * TOUCH_TIME)
        return _to(probe.name, float=str(since))

    @_asked
    def keep_float(self, request: Request, said: Form) -> Response:
        """Keep what a float was seen doing."""
        walk, proof = self.ready(request)
        probe = _taking(Step.FLOAT, said.get("probe", ""), walk.book())
        readings = walk.readings([probe.name], since_ms=_since(said))[probe.name]
        walk.keep(proof.name, Step.FLOAT, probe.name, judge_float(readings))
        return _to(probe.name)

    @_asked
    def pour(self, request: Request, said: Form) -> Response:
        """Take the level after some litres."""
        walk, _ = self.ready(request)
        probe = _taking(Step.POUR, said.get("probe", ""), walk.book())
        most = litres_most(walk.rig.reservoir)
        litres = _number(said.get("litres", ""), "litres", 0.0, most)
        poured = poured_of(said.get("poured", ""))
        if poured and litres <= poured[-1][0]:
            raise PhysicsError("litres", f"{litres:g}", f"more than the {poured[-1][0]:g} before")
        seconds = walk.patience([probe.name], SETTLED)
        since = walk.closer([probe.name], every=EVERY, seconds=seconds)
        return _to(probe.name, poured=poured_words([*poured, (litres, since)]))

    @_asked
    def keep_pour(self, request: Request, said: Form) -> Response:
        """Judge the levels after all litres."""
        walk, proof = self.ready(request)
        probe, reservoir = (
            _taking(Step.POUR, said.get("probe", ""), walk.book()),
            walk.rig.reservoir,
        )
        pour = self.pour_of(said.get("poured", ""), probe, walk)
        if pour is None or reservoir is None:
            raise RequestError("No litres were said. Nothing was kept.")
        finding = judge_pour(reservoir, pour.points, uncertainty=pour.uncertainty)
        walk.keep(proof.name, Step.POUR, probe.name, finding)
        return _to(probe.name)

    @_asked
    def write_card(self, request: Request, said: Form) -> Response:
        """Keep an installation card; one that can't be is shown again with why."""
        walk, proof = self.ready(request)
        book = walk.book()
        probe = _taking(Step.CARD, said.get("probe", ""), book)
        fields = {name: words for name, words in said.items() if name in FIELDS and words}
        twice = [said[name] for name in ("drilled first", "drilled again") if said.get(name)]
        if twice:
            fields["drilled"] = " ".join(twice)
        photo = {
            k: v for k, v in kept_fields(book.card(probe.name)).items() if k.startswith("photo")
        }
        try:
            card = card_of({name: typed(name, words) for name, words in fields.items()} | photo)
        except PhysicsError as error:
            return self.show_card(request, book, probe, said=dict(said), wrong=f"{error}.")
        walk.keep(proof.name, Step.CARD, probe.name, note_card(card, probe, walk.rig))
        return _to(probe.name)

    @upload(
        largest=LARGEST + _ENVELOPE,
        files=1,
        fields=5,
        too_large=f"A photo of up to {LARGEST / 1e6:g} MB is taken. Nothing was kept.",
        unreadable="No photo came. Nothing was kept.",
    )
    def take_photo(self, request: Request, came: Upload) -> Response:
        """Keep the photo of a probe's seat, and say so on its card."""
        content = b"".join(photo.file.read() for photo in came.files("photo"))
        if not content:
            return self.refuse("No photo came. Nothing was kept.", 400)
        return self._keep_photo(request, came.said.get("probe", ""), content)

    def _keep_photo(self, request: Request, name: str, content: bytes) -> Response:
        try:
            walk, proof = self.ready(request)
            book = walk.book()
            probe = _taking(Step.CARD, name, book)
            photo = keep_seen(self.source.record.folder, content)
            fields = kept_fields(book.card(probe.name))
            card = card_of(fields | {"photo": photo.name, "photo_sha256": photo.sha256})
            walk.keep(proof.name, Step.CARD, probe.name, note_card(card, probe, walk.rig))
        except (NotYet, LongsoakError) as error:
            return self.told(error, {"probe": name})
        return RedirectResponse(f"/proof/card/{quote(probe.name, safe='')}", status_code=303)

    @_asked
    def finish(self, request: Request, said: Form) -> Response:
        """End the proof with its verdict."""
        walk = self.able(request)
        newest = walk.book().newest
        if newest is None or newest.finished is None:  # else the button was pressed twice
            walk, proof = self.ready(request)
            walk.finish(proof)
        return _to()


def _to(*probe: str, **query: str) -> Response:
    """To the sheet of a channel, or of the proof."""
    path = f"/proof/at/{quote(probe[0], safe='')}" if probe else "/proof"
    return RedirectResponse(f"{path}?{urlencode(query)}" if query else path, status_code=303)


def _step(said: Mapping[str, str], known: Sequence[Step]) -> Step:
    step = next((step for step in known if step.value == said.get("step")), None)
    if step is None:
        raise RequestError("There is no such step at this channel. Nothing was kept.")
    return step


def _taking(step: Step, name: str, book: Book) -> Probe:
    """The probe of that name, if it takes a step."""
    probe = needed(name, book)
    _step({"step": step.value}, steps_of(probe, book.rig))
    return probe


def _since(said: Mapping[str, str]) -> int:
    """When a closer look began, ms, while it can still be judged by."""
    return _in_time(time_of(said.get("since", "")) or 0)


def _in_time(began_ms: int) -> int:
    if not 0 <= now_ms() - began_ms <= 1000 * LONGEST:
        raise RequestError("The closer look is over. Start it again; nothing was kept.")
    return began_ms


def _number(words: str, name: str, low: float, high: float) -> float:
    try:
        number = number_typed(words)
    except TwoWaysError as error:
        raise RequestError(f"{error} Nothing was kept.") from error
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        raise PhysicsError(name, repr(words), f"{low:g} to {high:g}")
    return number


def _resistor(said: Mapping[str, str]) -> Resistor:
    ohm = _number(said.get("ohm", ""), "the resistance in Ω", 1e3, 1e12)
    percent = _number(said.get("percent", ""), "the tolerance in %", 0.0, 20.0)
    return Resistor(ohm, percent / 100)
