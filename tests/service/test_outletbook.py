"""What alarms are shown of outlets that share a server."""

from longsoak.service.outletbook import OutletBook, Shown
from longsoak.vocabulary.notices import MAIL_LIST, Person, Route, Way

MK, AB = Person("mk", ("mk@example.org",)), Person("ab", ("ab@example.org",))
ROUTES = (
    Route("mail", Way.MAIL),
    Route("webhook", Way.WEBHOOK),
    Route("mail to mk", Way.MAIL, MK),
    Route("mail to ab", Way.MAIL, AB),
)


def test_a_server_is_away_while_any_of_those_who_use_it_finds_it_so() -> None:
    book = OutletBook(ROUTES)
    assert list(book.away("mail", None)) == [Shown("mail", None)]
    assert list(book.away("mail to mk", "timed out")) == [Shown("mail", "timed out")]
    assert list(book.away("mail to ab", "refused")) == [Shown("mail", "timed out")]
    assert list(book.away("mail to mk", None)) == [Shown("mail", "refused")]
    assert list(book.away("mail", None)) == [Shown("mail", "refused")]
    assert list(book.away("mail to ab", None)) == [Shown("mail", None)]
    assert list(book.away("database", "gone")) == [Shown("database", "gone")]


def test_an_address_that_is_refused_is_no_fault_of_the_server() -> None:
    book = OutletBook(ROUTES)
    book_says = list(book.refuses("mail to mk", "mk@example.org: 550 no"))
    assert book_says == [
        Shown("mail", None),
        Shown("mail to mk", "refused: mk@example.org: 550 no"),
    ]
    # It stands though nothing is sent meanwhile, until a mail is taken.
    assert list(book.away("mail to mk", None))[1] == book_says[1]
    assert list(book.refuses("mail to mk", None)) == [
        Shown("mail", None),
        Shown("mail to mk", None),
    ]
    assert list(book.refuses("mail", "x@example.org: 550 no"))[1].subject == MAIL_LIST


def test_whether_an_address_is_refused_still_nobody_knows_before_something_was_sent() -> None:
    assert list(OutletBook(ROUTES).away("mail to mk", None)) == [Shown("mail", None)]


def test_a_webhook_that_refuses_is_as_bad_as_one_that_is_away() -> None:
    book = OutletBook(ROUTES)
    assert list(book.refuses("webhook", "404")) == [Shown("webhook", "refused: 404")]
    assert list(book.away("webhook", None)) == [Shown("webhook", "refused: 404")]
    assert list(book.refuses("webhook", None)) == [Shown("webhook", None)]
