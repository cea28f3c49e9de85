"""Labels for the cables of a rig: each leads a phone to the page of its probe."""

from dataclasses import dataclass
from urllib.parse import quote, urlsplit, urlunsplit

from markupsafe import Markup

from longsoak.core.wording import where_words
from longsoak.proving.paper import PENS, document
from longsoak.vocabulary.errors import RequestError
from longsoak.vocabulary.rig import Probe, Rig

# mm; a flag that is stuck round a cable by its strip, its two faces back to back. Common practice.
FACE, STRIP, HEIGHT = 36, 18, 25
THICKEST = 5  # mm, the cable that the strip goes round and leaves a little over
QUIET_ZONE = 4  # modules of white on each side: ISO/IEC 18004, from memory
PER_SHEET = 20
_LARGE, _MIDDLE = 8, 20  # characters of a name that fit in large and in middling letters
_SHORT = 50  # characters of a place in words that fit in its usual letters


@dataclass(frozen=True, slots=True)
class _Label:
    name: str
    letters: str
    place: str
    place_letters: str
    kind: str
    code: Markup


def probe_page(rig: Rig, name: str) -> str:
    """The web address of a probe's page.

    Parameters
    ----------
    rig : Rig
        The rig, for where its pages are.
    name : str
        The probe's name; each character that means something in an address is percent-encoded
        (RFC 3986, 2.1), a slash too.

    Raises
    ------
    RequestError
        The rig file does not say where its pages are.
    """
    if rig.page is None:
        raise RequestError(
            "The rig file does not say where its pages are, so a label has nowhere to lead to. "
            'Add page to [rig], for example page = "http://shop-pi.local:8460/".'
        )
    at = urlsplit(rig.page)
    path = f"{at.path.rstrip('/')}/probe/{quote(name, safe='')}"
    return urlunsplit((at.scheme, at.netloc, path, "", ""))


def labels(rig: Rig) -> str:
    """A4 sheets of labels, one for each probe in the rig file's order, as one HTML document.

    Each is a flag of 90 mm by 25 mm: a QR code with the address of the probe's page on one face,
    name, place and kind on the other, and between them the strip that goes round the cable. The
    codes have error correction of level M or better and a quiet zone of 4 modules.

    Raises
    ------
    RequestError
        As for `probe_page`.
    """
    found = [_label(probe, rig) for probe in rig.probes]
    return document(
        "labels.html.j2",
        rig=rig,
        sheets=[found[start : start + PER_SHEET] for start in range(0, len(found), PER_SHEET)],
        face=FACE,
        strip=STRIP,
        height=HEIGHT,
        thickest=THICKEST,
    )


def _label(probe: Probe, rig: Rig) -> _Label:
    place = where_words(probe, rig)
    return _Label(
        name=probe.name,
        letters=_letters(probe.name),
        place=place,
        place_letters="" if len(place) <= _SHORT else "long",
        kind=probe.kind.value,
        code=_code(probe_page(rig, probe.name)),
    )


def _letters(name: str) -> str:
    size = len(name)
    return "large" if size <= _LARGE else "middle" if size <= _MIDDLE else "small"


def _code(address: str) -> Markup:
    import segno  # here, for only who prints labels is to pay for it

    code = segno.make(address, error="m", micro=False)
    drawn = code.svg_inline(
        border=QUIET_ZONE, dark=PENS["ink"], omitsize=True, svgclass="code", lineclass=None
    )
    return Markup(drawn)  # noqa: S704  # drawn from modules alone, no text is in it
