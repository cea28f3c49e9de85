"""What every form of a template is given, whoever writes it: its token, and who may see it."""

import re

from jinja2.exceptions import TemplateSyntaxError
from jinja2.ext import Extension

_OPENS = re.compile(r"<form\b(?:\{\{.*?\}\}|\{%.*?%\}|[^<>{])*>", re.DOTALL)
_POSTS = re.compile(r"\bmethod\s*=\s*[\"']?post\b", re.IGNORECASE)
_FOR_ALL = " data-for-all"  # of a form that whoever may only read needs
_CLOSES = "</form>"
_FIELD = '<input type="hidden" name="token" value="{{ visit().token() }}">'
_MAY_NOT = (
    '<p class="note may-not noprint">For whoever may change: <a href="/login">log in</a>.</p>'
)


class FormTags(Extension):
    """Gives each form that posts the session's token, and shows it to whoever may send it.

    Templates are changed as they are read, so that nobody has to think of it and no sheet is
    slower for it.
    """

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """A template with what its forms need."""
        parts, end = [], 0
        for opens in _OPENS.finditer(source):
            if opens.start() < end or not _POSTS.search(opens[0]):
                continue
            closes = source.find(_CLOSES, opens.end())
            if closes < 0:
                line = source.count("\n", 0, opens.start()) + 1
                raise TemplateSyntaxError("a form is not closed", line, name, filename)
            parts.append(source[end : opens.start()])
            end = closes + len(_CLOSES)
            whole = opens[0] + _FIELD + source[opens.end() : end]
            if _FOR_ALL in opens[0]:
                parts.append(whole)
            else:
                parts.append(
                    f"{{% if visit().may_change %}}{whole}{{% else %}}{_MAY_NOT}{{% endif %}}"
                )
        return "".join([*parts, source[end:]])
