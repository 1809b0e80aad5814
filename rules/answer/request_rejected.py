"""The controller answers, and its answers say no.

A fault where no request at all got a good answer, from the opening of the session on. A warning
where one session gets nothing but noes, three or more, and others work. A note elsewhere where good
answers come too, and noes go on behind the first of them; where the controller only puts the PC
off; and where the recording began later than the session. Quiet where the noes are over before the
first good answer: a program finds out what the controller can do. Protocols that are not known are
not judged.
"""

from collections.abc import Iterator, Sequence

from analyzer.facts import Dialogue, Moment
from analyzer.findings import Level, Rule, Sighting, Step
from analyzer.linkup import BEGINNING, NEVER, Call, LinkUp
from rules import cautions

ITEM, AMOUNT, FUNCTION, BEHIND, STATE = "item", "amount", "function", "behind", "state"
"""Names of the causes in the rule."""
LIKELIEST = {
    ("Modbus/TCP", 1): FUNCTION, ("Modbus/TCP", 2): ITEM, ("Modbus/TCP", 3): AMOUNT,
    ("Modbus/TCP", 4): STATE, ("Modbus/TCP", 5): STATE, ("Modbus/TCP", 6): STATE,
    ("Modbus/TCP", 10): BEHIND, ("Modbus/TCP", 11): BEHIND,
    ("EtherNet/IP", 1): FUNCTION, ("EtherNet/IP", 4): ITEM, ("EtherNet/IP", 5): ITEM,
    ("EtherNet/IP", 0x204): BEHIND, ("EtherNet/IP", 0x311): BEHIND,
    ("EtherNet/IP", 0x312): BEHIND,
    ("EtherNet/IP", 8): FUNCTION, ("EtherNet/IP", 15): STATE, ("EtherNet/IP", 16): STATE,
}  # fmt: skip
"""By protocol and code: the cause that its published meaning points to."""


AGAIN = 3
"""Noes from which on a program does not only find out what the controller can do."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    saying = [one for one in linkup.on_port if one.session.dialogue.rejections]
    if not saying:
        return
    dialogues = [one.session.dialogue for one in saying]
    said = [no for dialogue in dialogues for no in dialogue.rejections]
    rejected = sum(dialogue.rejected for dialogue in dialogues)
    works = any(one.last_good for one in (*linkup.on_port, *linkup.fallbacks))
    if works and rejected and not _goes_on(linkup):
        return
    is_fault = rejected > 0 and not works and all(one.calls for one in saying)
    good = max((one.first for one in linkup.on_port if one.first_good), default=BEGINNING)
    in_vain = sum(works and _gets_only_noes(one, good) for one in saying)
    level = Level.FAULT if is_fault else Level.WARNING if in_vain else Level.NOTE
    protocol = dialogues[0].protocol
    likeliest = LIKELIEST.get((protocol or "", said[0].code), "")
    yield Sighting(
        values={
            "protocol": protocol,
            "rejected": rejected,
            "waits": not rejected,
            "put_off": sum(dialogue.put_off for dialogue in dialogues),
            "good": sum(one.session.dialogue.good for one in linkup.on_port),
            "in_vain": in_vain,
            **_asked(dialogues),
            "code": said[0].code,
            "meaning": said[0].meaning,
            "behind": likeliest == BEHIND,
            "ahead": likeliest != BEHIND,
            "reasons": list(dict.fromkeys(str(no) for no in said)),
        },
        frames={
            "no": [no.moment for no in said],
            "asked": [no.asked for no in said],
        },
        level=level,
        likeliest=likeliest,
        ruled_out=[] if likeliest in ("", BEHIND) else [BEHIND],
    )


def _asked(dialogues: Sequence[Dialogue]) -> dict[str, object]:
    """The function that was asked for, and of which unit, where there was one kind of request."""
    kinds = {(one.function, one.unit) for dialogue in dialogues for one in dialogue.kinds}
    ((function, unit),) = kinds if len(kinds) == 1 else ((-1, -1),)
    known = function >= 0
    return {"asked": known, "function": function, "unit": unit if known and unit >= 0 else None}


def _gets_only_noes(call: Call, last_good: Moment) -> bool:
    """Whether a program gets nothing but noes in its session, beside one that works, and no later
    session takes its place. last_good: when the last session began that works.
    """
    said = call.session.dialogue
    return call.calls > 0 and said.rejected >= AGAIN and not said.good and last_good <= call.last


def _goes_on(linkup: LinkUp) -> bool:
    """Whether there are noes behind the first good answer."""
    dialogues = [one.session.dialogue for one in linkup.on_port]
    worked = min(filter(None, (one.good_since for one in dialogues)), default=NEVER)
    return any(one.last_rejected > worked for one in dialogues if one.last_rejected)


RULE = Rule(
    slug="request-rejected",
    stage="answer",
    title="{controller}{rejected:if refuses what is asked}{waits:if asks the PC to try again}",
    what_happened="{controller} answered on port {port}{rejected:if, and said no "
    "{rejected:times}}{put_off:if, and asked to try again {put_off:times}}, with the code "
    "{reasons:list}.{asked:if The PC had asked for function {function}{unit:unit}.}{good:if It "
    "gave what was asked for {good:times}.}{in_vain:if In {in_vain:count session} it never did.} "
    "The codes are those of {protocol:protocol}.",
    means="The network between PC and {controller} is fine: cable, addresses, port and session "
    "work. What is asked for has to be looked at, or the state of what is asked.",
    likely_causes={
        ITEM: "The item or its number is not in the controller, or the count starts at one, not "
        "zero.",
        AMOUNT: "The amount or value that is asked for is larger than the controller allows.",
        FUNCTION: "The controller does not know this function, or does not allow it.",
        BEHIND: "The device meant is behind the controller or gateway, and is off or has another "
        "number.",
        STATE: "The controller's mode or state does not allow it now, or it is busy.",
    },
    what_to_do=(
        Step(
            "{behind:if Compare the unit number in the program with the list of devices behind "
            "{controller}, which is a gateway here.}"
        ),
        Step("{behind:if Look at that device: its power, its number, its line.}"),
        Step(
            "{ahead:if Compare item, number and amount in the program with the controller's list.}"
        ),
        Step("Look at the mode switch, the state and the access rights of the controller."),
        Step("Ask for one item that is known to exist, by reading only."),
    ),
    evidence={
        "asked": "the PC sends its request{again}",
        "no": "{controller} answers with a refusal{again}",
    },
    cautions=(
        cautions.warning(
            "Test by reading only: a written value can move the machine.",
        ),
    ),
    looks_alike=(
        "A program that tries what the controller can do, and then works.",
        "A controller that is busy and asks to try again.",
        "Other requests that are answered: then it is worth a note only.",
    ),
    confirm="Read one item that another program reads with success.",
    sources=(
        "MODBUS Application Protocol V1.1b3 section 7",
        "CIP Networks Library volumes 1 and 2 (from memory)",
    ),
    find=find,
)
