"""What people ask of alarms, taken to their lives."""

from longsoak.service.alarmlives import AlarmLives, Answered, At
from longsoak.store import alarmrequests, requests
from longsoak.store.requests import Request
from longsoak.vocabulary.errors import RequestError


def answer(lives: AlarmLives, request: Request, at: At) -> Answered | None:
    """What comes of a request about an alarm; None if it is about something else."""
    key, by = request.subject, request.by
    match request.kind:
        case requests.ACKNOWLEDGE:
            return lives.acknowledge(key, by=by, at=at)
        case alarmrequests.RESET:
            return lives.reset(key, by=by, at=at)
        case alarmrequests.PUT_BACK:
            return lives.bring_back(key, by=by, at=at)
        case alarmrequests.SHELVE | alarmrequests.TAKE_OUT:
            try:
                wanted = alarmrequests.shelving_of(request)
            except RequestError as error:
                return Answered([], f"refused: {error}")
            if wanted.seconds is None:
                return lives.take_out(key, why=wanted.why, by=by, at=at)
            return lives.shelve(key, wanted.seconds, why=wanted.why, by=by, at=at)
    return None
