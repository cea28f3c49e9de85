"""What a program is told where it can't be answered: RFC 9457 problem documents (from memory)."""

from http import HTTPStatus

from starlette.responses import JSONResponse


class Refused(Exception):  # noqa: N818 - an answer, not a fault of ours
    """Something asked for can't be given; `says` is one sentence: what, where and how to mend."""

    def __init__(self, status: HTTPStatus, says: str) -> None:
        super().__init__(status, says)
        self.status = status
        self.says = says


def problem(status: HTTPStatus, says: str) -> JSONResponse:
    """The document; its type is "about:blank", whose title is the status in words."""
    document = {"type": "about:blank", "title": status.phrase, "status": int(status)}
    return JSONResponse(
        document | {"detail": says}, int(status), media_type="application/problem+json"
    )
