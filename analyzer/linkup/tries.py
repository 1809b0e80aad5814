"""What the PC tried with one controller, and how each try ended."""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from analyzer.facts import Exchange, Moment, Question, Session
from analyzer.linkup.model import LinkUp
from analyzer.linkup.proofs import is_unheard


class TryEnd(StrEnum):
    """How a try ended."""

    SILENT = "silent"
    ANSWERED = "answered"
    REFUSED = "refused"
    UNFINISHED = "unfinished"
    MUTE = "mute"
    BROKEN = "broken"
    HUNG = "hung"
    CLOSED = "closed"
    OPEN = "open"


@dataclass(slots=True, eq=False)
class Try:
    """Tries of one kind in a row that ended alike.

    what: arp, ping, tcp or udp; port: None for arp and ping; times: how many tries; answers: how
    many answers they brought in all.
    """

    what: str
    port: int | None
    ending: TryEnd
    first: Moment
    last: Moment
    times: int
    answers: int = 0

    def is_like(self, other: "Try") -> bool:
        """Whether two tries are of one kind and ended alike."""
        return (self.what, self.port, self.ending) == (other.what, other.port, other.ending)


def tries_of(linkup: LinkUp) -> list[Try]:
    """Everything the PC tried with the controller, in order; alike ones in a row are one."""
    together: list[Try] = []
    for one in sorted(_each(linkup), key=lambda one: one.first):
        if together and together[-1].is_like(one):
            latest = together[-1]
            latest.last = max(latest.last, one.last)
            latest.times += one.times
            latest.answers += one.answers
        else:
            together.append(one)
    return together


def _each(linkup: LinkUp) -> Iterator[Try]:
    for question in linkup.questions:
        yield _asked(question)
    if linkup.pings is not None:
        sent, back = linkup.pings.requests, linkup.pings.replies
        ending = TryEnd.ANSWERED if back.count else TryEnd.SILENT
        last = max(sent.last, back.last) if back.count else sent.last
        yield Try("ping", None, ending, sent.first, last, sent.count, back.count)
    for session in (*linkup.sessions, *linkup.other_sessions):
        yield _called(session)
    for exchange in linkup.exchanges:
        yield from _sent(exchange)


def _asked(question: Question) -> Try:
    ending = TryEnd.ANSWERED if question.answered else TryEnd.SILENT
    asked = question.asked
    return Try("arp", None, ending, asked.first, asked.last, asked.count, question.answered)


def _called(session: Session) -> Try:
    return Try(
        "tcp", session.server.port, _ending(session), session.first, session.last, 1,
        session.answers,
    )  # fmt: skip


def _ending(session: Session) -> TryEnd:
    if session.refused is not None:
        return TryEnd.REFUSED
    if session.is_silent:
        return TryEnd.SILENT
    if not session.is_open and not is_unheard(session):
        return TryEnd.UNFINISHED
    if session.broken_by is not None:
        return TryEnd.BROKEN
    if session.is_waiting and not session.answers:
        return TryEnd.MUTE
    if session.is_hung:
        return TryEnd.HUNG
    return TryEnd.CLOSED if session.closing else TryEnd.OPEN


def _sent(exchange: Exchange) -> Iterator[Try]:
    asked, answered = exchange.asked, exchange.answered
    if asked.first is None or asked.last is None:
        return
    ending = TryEnd.ANSWERED if answered.count else TryEnd.SILENT
    last = max(asked.last, answered.last) if answered.last else asked.last
    yield Try("udp", exchange.server[1], ending, asked.first, last, asked.count, answered.count)
