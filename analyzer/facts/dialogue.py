"""What two ends said to each other in one TCP session: plain data.

Where the protocol is one of those in `facts/protocols`, its messages are counted and their numbers
followed. Otherwise only times and directions are known.
"""

from collections import Counter
from dataclasses import dataclass, field
from typing import NamedTuple

from analyzer.facts.values import Moment, Series

NOT_HEARD, UNKNOWN = -2, -1
"""Voices that said nothing yet, or nothing that is known."""
NOBODY = -1
RECENT = 4
"""Requests that a late answer may belong to."""


class No(NamedTuple):
    """A refusal: its moment, the request before it, the published code and its meaning."""

    moment: Moment
    asked: Moment | None
    code: int
    meaning: str

    def __str__(self) -> str:
        number = f"{self.code:#06x}" if self.code > 0xFF else str(self.code)
        return f"{number} ({self.meaning})"


class Request(NamedTuple):
    """What tells one kind of request from another: octets of the whole message, its function and
    the unit that it is for; -1 where it has none, or where the protocol is not known.
    """

    size: int
    function: int = -1
    unit: int = -1


OTHER = Request(-1)
"""Stands for all kinds of request beyond MOST_KINDS."""
MOST_KINDS = 32
"""Kinds of request told apart in one session: programs send a handful (common practice, no
source)."""


class Owed(NamedTuple):
    """A request that no answer has come to: its number, when it was sent, its function and the unit
    that it is for.
    """

    id: int
    asked: Moment
    function: int
    unit: int

    @property
    def kind(self) -> tuple[int, int]:
        """Function and unit."""
        return self.function, self.unit


MOST_OWED = 256
"""Requests of one session that may still get an answer: programs have a few under way (common
practice, no source)."""

NEVER = Series()
"""Stands for every series of which nothing was seen; nobody changes it."""


@dataclass(slots=True)
class Dialogue:
    """What was said in one session.

    protocol: its name, None where it is not known, the client's where the server refuses in another
    one: refused_in, None elsewhere; asked, told: messages of client and server that
    ask for an answer or are one; good: answers that are no refusal; rejected: answers that say no;
    put_off: answers that ask to wait; refused: noes to the inner opening or to the session;
    rejections, refusals: a few of each; good_since, last_good, last_rejected, last_refused: moments
    of such answers; accepted: the last inner opening that was granted; declined: the client's own
    no to the inner opening; unit: the unit that the last request names.

    joined: segments with more than one request; split: requests cut over segments though they fit
    into one; behind: how many requests had been sent when the last of those was.

    late: answers whose number is an older request's than the last one's; shifted: requests sent
    right behind such an answer; hurry: the least seconds after which the client asked again before
    an answer came.

    fifth_answers, short_answers: answers that came after a multiple of 0.2 s, or after 0.04 s;
    fifth_pieces, short_pieces: such waits between the two pieces of one turn, by the side whose it
    is.

    kinds: requests by kind; last_kind: that of the last one.

    owed: the latest requests that no answer has come to; overdue: those before them, by function
    and unit; reached: the last request that was answered; longest: seconds of the longest wait for
    an answer; strays: answers to no request that waits; read: the server's octets in messages that
    are in one segment each.

    The rest is the state from which the next chunk goes on. framing: the place in FRAMINGS of what
    is followed, the server's where it refuses.
    """

    protocol: str | None = None
    asked: int = 0
    told: int = 0
    good: int = 0
    rejected: int = 0
    put_off: int = 0
    refused: int = 0
    rejections: tuple[No, ...] = ()
    refusals: tuple[No, ...] = ()
    good_since: Moment | None = None
    last_good: Moment | None = None
    last_rejected: Moment | None = None
    last_refused: Moment | None = None
    accepted: Moment | None = None
    declined: No | None = None
    refused_in: str | None = None
    unit: int | None = None
    joined: Series = field(default_factory=lambda: NEVER)
    split: Series = field(default_factory=lambda: NEVER)
    behind: int = 0
    late: Series = field(default_factory=lambda: NEVER)
    shifted: Series = field(default_factory=lambda: NEVER)
    hurry: float = float("inf")
    fifth_answers: int = 0
    short_answers: int = 0
    fifth_pieces: tuple[int, int] = (0, 0)
    short_pieces: tuple[int, int] = (0, 0)
    kinds: dict[Request, int] = field(default_factory=dict)
    last_kind: Request | None = None
    owed: list[Owed] = field(default_factory=list)
    overdue: dict[tuple[int, int], Series] = field(default_factory=dict)
    reached: Moment | None = None
    longest: float = 0.0
    strays: int = 0
    read: int = 0
    voices: tuple[int, int] = (NOT_HEARD, NOT_HEARD)
    framing: int = NOT_HEARD
    recent: tuple[tuple[int, Moment], ...] = ()
    speaker: int = NOBODY
    late_last: bool = False
    odd: int = 0
    turn: tuple[int, int, float] = (NOBODY, 0, 0.0)

    def hear(self, side: int, voice: int) -> None:
        """Note what a side's first data is: a protocol's number, or UNKNOWN."""
        client, server = self.voices
        self.voices = (client, voice) if side else (voice, server)

    def ask(self, kind: Request, times: int) -> None:
        """Count requests of one kind."""
        known = kind in self.kinds or len(self.kinds) < MOST_KINDS
        counted = kind if known else OTHER
        self.kinds[counted] = self.kinds.get(counted, 0) + times

    def owe(self, one: Owed) -> None:
        """Note a request that waits."""
        self.owed.append(one)
        if len(self.owed) > MOST_OWED:
            oldest = self.owed.pop(0)
            self.overdue.setdefault(oldest.kind, Series()).add(oldest.asked)

    def pay(self, number: int, moment: Moment) -> None:
        """Note an answer: to the last request with its number."""
        for place in range(len(self.owed) - 1, -1, -1):
            if self.owed[place].id == number:
                asked = self.owed.pop(place).asked
                self.reach(asked, moment.seconds - asked.seconds)
                return
        self.strays += 1

    def reach(self, asked: Moment, waited: float) -> None:
        """Note that a request was answered, and after how many seconds."""
        self.reached = asked if self.reached is None else max(self.reached, asked)
        self.longest = max(self.longest, waited)

    def passed_over(self, until: float) -> Series:
        """Requests that were sent before a second and got no answer, while later ones did; of
        functions of a unit that it answers at other times, as some may want no answer.
        """
        reached = self.reached
        if reached is None or self.strays or self.split.count:
            return Series()
        answered = self._answered
        late = [one for one in self.owed if one.asked < reached and one.asked.seconds < until]
        passed = [(one.kind, Series(1, [one.asked])) for one in late]
        passed += [(kind, one) for kind, one in self.overdue.items() if one.last < reached]
        return Series.joined(one for kind, one in passed if kind in answered)

    @property
    def _answered(self) -> set[tuple[int, int]]:
        """Functions of a unit that were answered at least once."""
        open_ones = Counter(one.kind for one in self.owed)
        open_ones.update({kind: one.count for kind, one in self.overdue.items()})
        asked = Counter[tuple[int, int]]()
        for kind, times in self.kinds.items():
            asked[kind.function, kind.unit] += times
        return {kind for kind, times in asked.items() if times > open_ones[kind]}

    @property
    def missing(self) -> int:
        """How many requests have no answer."""
        return self.asked - self.told

    @property
    def says_no(self) -> bool:
        """Whether the server answered no, and nothing good, or the client said no itself."""
        refused = bool(self.rejected or self.refused) and not self.good
        return refused or self.declined is not None


NOTHING_SAID = Dialogue()
"""Stands for the dialogue of every session without data; nobody changes it."""
