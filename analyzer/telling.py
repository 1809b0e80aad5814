"""What rules saw and what stages showed, in words: the texts filled in, nothing decided."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import UTC, datetime
from functools import partial
from itertools import chain

from analyzer.common import Common, Factor, Pattern
from analyzer.findings import Certainty, Evidence, Finding, Rule, Sighting, Step, Texts
from analyzer.linkup import BEGAN_LATE, LOST, PC_ANSWERS, USES_ADDRESS, Proof, Stage
from analyzer.words import again, count, listed, say, seconds, times

MOST_EVIDENCE = 8
"""Frames shown for one finding: enough to prove it, few enough to read."""


def worded(rule: Rule, sighting: Sighting, lost: int, shared: Common | None = None) -> Finding:
    """A sighting, ready to be reported. lost: frames that the recorder lost; shared: what the
    incidents of its link-up have in common.
    """
    sighting, done, first = _with_pattern(rule, sighting, shared)
    silence, linkup = sighting.silence, sighting.linkup
    sure = sighting.certainty is Certainty.SHOWN and (silence is None or silence.is_sure)
    values = {**_known(sighting), **sighting.values}
    return Finding(
        rule=rule.slug,
        stage=sighting.stage or rule.stage,
        level=sighting.level or rule.level,
        certainty=Certainty.SHOWN if sure else Certainty.FITS,
        pc=None if linkup is None else linkup.pc_address,
        controller=None if linkup is None else linkup.controller,
        moment=next((at for moments in sighting.frames.values() for at in moments if at), None),
        values=values,
        sources=list(rule.sources),
        linkup=linkup,
        put_into_words=partial(
            _texts, rule, sighting, {**UNKNOWN, **values, "fits": not sure}, lost, done, first
        ),
    )


def _with_pattern(
    rule: Rule, sighting: Sighting, shared: Common | None
) -> tuple[Sighting, Sequence[str], Sequence[Step]]:
    """The sighting with the causes that a pattern speaks for first and without those that it speaks
    against, the sentences by which the recording has done the deciding test, and the first steps
    that the pattern gives.
    """
    patterns = (
        [] if shared is None else [one for one in shared.patterns if one.factor in rule.patterns]
    )
    if not patterns:
        in_vain = shared is not None and rule.patterns and not shared.patterns
        if shared is None or not in_vain:
            return sighting, (), ()
        found = in_common(shared) if shared.doubtful else [say(IN_VAIN, {"alike": shared.sign})]
        would_show = (rule.patterns.get(one, ()) for one in WOULD_SHOW if one in shared.looked)
        ruled_out = [*sighting.ruled_out, *chain(*would_show)]
        told = sighting._replace(ruled_out=set(ruled_out).difference([sighting.likeliest]))
        return told, [say(rule.confirm, {}), *found], ()
    causes = [cause for one in patterns for cause in rule.patterns[one.factor]]
    against = {*sighting.ruled_out, *chain(*rule.patterns.values())}.difference(causes)
    told = sighting._replace(likeliest=causes[0], ruled_out=against)
    done = say(DONE, {"what": _points_to(patterns[0])})
    steps = [Step(_with_figures(FIRST[one.factor], one)) for one in patterns if one.factor in FIRST]
    return told, [done, *(in_words(one) for one in patterns)], steps


DONE = "The recording has done it: {what}."
IN_VAIN = "In this recording nothing{alike:if else} was found that the breaks have in common."
"""How the deciding test is told where the recording holds several breaks."""
WOULD_SHOW = (Factor.AGE, Factor.REQUESTS, Factor.REST)
"""What is seen in any recording where it is so: looked at in vain, it speaks against its causes."""
FIRST = {
    Factor.REQUEST: "The request before the breaks was {what}: find out what in the program sends "
    "it, and whether the controller serves it.",
}
"""The step to take first where incidents have this in common."""


def _texts(
    rule: Rule,
    sighting: Sighting,
    values: Mapping[str, object],
    lost: int,
    done: Sequence[str] = (),
    first: Sequence[Step] = (),
) -> Texts:
    confirm = Step(say(rule.confirm, values), rule.confirm_caution)
    if done:
        confirm = Step(" ".join(done))
    wanted = (one for one in rule.what_to_do if one.about not in sighting.ruled_out)
    filled = (Step(say(one.text, values), one.caution) for one in wanted)
    steps = [*first, *(one for one in filled if one.text)]
    cautions = list(rule.cautions)
    cautions += [one.caution for one in (*steps, confirm) if one.caution]
    happened, means = say(rule.what_happened, values), say(rule.means, values)
    doubts = () if sighting.silence is None else sighting.silence.doubts
    return Texts(
        title=say(rule.title, values),
        what_happened=f"{happened} {means}".strip(),
        means=means,
        likely_causes=[say(text, values) for text in _causes(rule, sighting)],
        confirm=confirm,
        what_to_do=steps,
        cautions=list(dict.fromkeys(cautions)),
        also_fits=[
            *(say(text, values) for text in _left(rule.also_fits, sighting.ruled_out).values()),
            *(say(DOUBTS[one], {"n": lost}) for one in doubts),
        ],
        evidence=_evidence(rule, sighting, values),
    )


def _known(sighting: Sighting) -> dict[str, object]:
    """What the engine knows of the link-up that a sighting is about."""
    linkup = sighting.linkup
    if linkup is None:
        return {}
    port = linkup.calls[0].port if linkup.calls else linkup.target.port
    known = {
        "pc": linkup.pc_address,
        "controller": linkup.controller,
        "port": port,
        "label": linkup.labelled,
    }
    return {key: value for key, value in known.items() if value is not None}


UNKNOWN = {"controller": None, "label": None}
"""What texts may leave out where the engine does not know it."""


DOUBTS = {
    LOST: "The recorder lost {n:count frame}: the answer may be among them.",
    BEGAN_LATE: "The recording began with the attempt: what came before is not in it.",
}


def _causes(rule: Rule, sighting: Sighting) -> list[str]:
    """The causes in the rule's order, the one that the sighting favours first, without those that
    it rules out.
    """
    causes = rule.likely_causes
    favoured = causes[sighting.likeliest or next(iter(causes))]
    others = _left(causes, sighting.ruled_out).values()
    return [favoured, *(text for text in others if text is not favoured)]


def _left(texts: Mapping[str, str], ruled_out: Collection[str]) -> dict[str, str]:
    """The texts that are not ruled out."""
    return {name: text for name, text in texts.items() if name not in ruled_out}


def _evidence(rule: Rule, sighting: Sighting, values: Mapping[str, object]) -> list[Evidence]:
    """The frames in order, each once with its sentence; {again} tells a repetition."""
    frames = ((key, dict.fromkeys(moments)) for key, moments in sighting.frames.items())
    each = [(key, at) for key, moments in frames for at in moments if at is not None]
    each.sort(key=lambda one: one[1])
    half = MOST_EVIDENCE // 2
    shown = each if len(each) <= MOST_EVIDENCE else each[:half] + each[-half:]
    lines, said = [], Counter[str]()
    for key, moment in shown:
        said[key] += 1
        filled = {**values, "again": again(said[key])}
        lines.append(Evidence(moment, say(rule.evidence[key], filled)))
    return lines


PROOFS = {
    "another station": "another station is heard",
    "answered to address": "the PC uses {pc} and is answered there",
    USES_ADDRESS: "the PC uses {pc}",
    "arp answer": "{hardware} answers for the controller's address",
    "by router": "the router {hardware} takes the packets, and answers come back",
    "router answers": "the router {hardware} answers the PC, which hands it the packets",
    "packet back": "a packet comes back from the controller",
    "handshake": "port {port} opens, after {took:seconds}",
    "accepted in vain": "port {port} accepts, after {took:seconds}; the PC turns that down",
    "accepted again": "port {port} accepts {times:times}; the PC never takes that up",
    "accepted unheard": "port {port} accepts and sends data; nothing of the PC is recorded",
    "address given": "the address server gives it {address}",
    "inside": "PC and controller are one machine: no cable is between them",
    "confirmed unseen": "the PC confirms what port {port} sent; none of that is recorded",
    "answers unseen": "the PC confirms more and more data of the controller, which is not recorded",
    "open before": "port {port} was open when the recording began",
    "udp answer": "an answer comes from UDP port {port}",
    "stayed up": "it carries {answers:count answer} and nobody breaks it",
    "speaks first": "the controller sends by itself, before any request",
    "call taken": "the PC takes the controller's call to its port {port}",
    PC_ANSWERS: "the controller asks, and the PC sends {answers:count answer}",
    "answers": "{answers:count answer},{several:if typically} after {took:seconds}",
    "untimed answers": "{answers:count answer}, after times that cannot be told",
    "later stage": "a later stage works, so this one does",
}
WORKED_BEFORE, WORKED_LATER = "; it worked before", "; it worked later"
"""Of a stage that failed, where a later one was reached."""
NOBODY_OBJECTS = "the PC uses it, and nobody was heard who could object"
NO_CALL = "no call to a port is in the recording"
UNPROVEN = {
    Stage.LINK: "nothing from another station is in the recording",
    Stage.ADDRESS: "no frame shows the PC's own address",
    Stage.NEIGHBOUR: "no frame shows whose hardware address was reached",
    Stage.ROUTE: "no IP packet from the controller is in the recording",
    Stage.PORT: "the recording does not show the port opening",
    Stage.SESSION: "no session carried an answer and stayed up",
    Stage.ANSWER: "the recording shows no request with its answer",
}


def because(proof: Proof) -> str:
    """Why a stage is seen working."""
    return say(PROOFS[proof.what], proof.values)


# --- what incidents have in common ----------------------------------------------------------------

HAPPENED = {
    Factor.CLIENT: "{who} opened a session to the controller",
    Factor.CLAIM: "{who} announced the controller's address as its own",
    Factor.LEASE: "{who} asked for an address or was given one",
    Factor.TREE: "{who}, a switch, told of a new state",
    Factor.BURST: "a burst of broadcasts passed",
}
IN_COMMON = {
    Factor.REQUEST: "The last request before {which} was {what}; {so_other} {was}.",
    Factor.SIZE: "The last request before {which} was of {octets} octets or more; {so_other} {was} "
    "as long.",
    Factor.SLOWER: "Before {which} answers came slower and slower{otherwise}.",
    Factor.AT_REQUEST: "{which} came right after a request, within {most:seconds}{others:if; "
    "{others:count other request} brought none}.",
    Factor.UNKNOWN: "{which} came right after a request, within {most:seconds}, by a reset that "
    "confirms nothing, as if the session were unknown.",
    Factor.REST: "{which} came after {span} without data; {so_other} lasted as long.",
    Factor.PAUSE: "{which} came after the PC had paused for {least:seconds} or longer; {so_other} "
    "lasted as long.",
    Factor.AGE: "{which} came {span} after the session opened{as_well:if, or after {as_well} in "
    "it: both fit}{others:if; {so_other} lived longer}.",
    Factor.REQUESTS: "{which} came after {span} requests in a session{others:if; {so_other} "
    "carried more}.",
    Factor.INTERVAL: "From one {noun} to the next it took {span}, {hits} of {of:count time}: as "
    "with something scheduled.",
    Factor.TIME_OF_DAY: "{which} came at the same time of day, {span} UTC: as with something "
    "scheduled.",
    Factor.RESTART: "Around {which} the controller showed signs of a fresh start{otherwise}.",
    **{
        factor: f"Up to {{most:seconds}} before {{which}} {what}{{otherwise}}."
        for factor, what in HAPPENED.items()
    },
}
"""One sentence each, as one would say it on the telephone."""
OTHERS = {
    Factor.REQUEST: "request",
    Factor.SIZE: "request",
    Factor.REST: "pause",
    Factor.PAUSE: "pause",
    Factor.AGE: "session",
    Factor.REQUESTS: "session",
}
"""What else there was of the kind."""
MOST_NAMED = 3
"""Those who did what came before, in one sentence."""
POINTS_TO = {
    Factor.REQUEST: "it points to that request",
    Factor.SIZE: "it points to large requests",
    Factor.SLOWER: "it points to a controller that had more and more to do",
    Factor.AT_REQUEST: "it is no time limit, and the controller's log has to tell the rest",
    Factor.UNKNOWN: "it points to a session that the other end had lost before the request",
    Factor.REST: "it points to a limit on the time without data",
    Factor.PAUSE: "it points to the PC's pause",
    Factor.AGE: "it points to a limit on how long a session may last",
    Factor.REQUESTS: "it points to a limit on the requests of a session",
    Factor.INTERVAL: "it points to something scheduled",
    Factor.TIME_OF_DAY: "it points to something scheduled",
    Factor.CLIENT: "it points to that other client",
    Factor.CLAIM: "it points to that other station",
    Factor.LEASE: "it points to a change of addresses",
    Factor.TREE: "it points to the switches",
    Factor.BURST: "it points to the broadcasts",
    Factor.RESTART: "it points to the restart",
}
"""What a pattern speaks for."""
OR_TO_REQUESTS = ", or on its requests"


def _points_to(pattern: Pattern) -> str:
    return POINTS_TO[pattern.factor] + (OR_TO_REQUESTS if pattern.as_well else "")


LOOKED_AT = {
    Factor.REQUEST: "the last request",
    Factor.SIZE: "large requests",
    Factor.SLOWER: "slower answers",
    Factor.AT_REQUEST: "time since a request",
    Factor.UNKNOWN: "unknown sessions",
    Factor.REST: "time without data",
    Factor.PAUSE: "long pauses",
    Factor.AGE: "age of the session",
    Factor.REQUESTS: "number of requests",
    Factor.INTERVAL: "interval",
    Factor.TIME_OF_DAY: "time of day",
    Factor.CLIENT: "other clients",
    Factor.CLAIM: "claims of the address",
    Factor.LEASE: "leases",
    Factor.TREE: "switches",
    Factor.BURST: "bursts of broadcasts",
    Factor.RESTART: "fresh starts",
}
NOTHING = "Nothing{alike:if else} was found that they have in common."
DOUBTFUL = "The PC asks so often, or it broke so seldom, that this may be chance."
LOOKED = "Looked at{more:if as well}: {looked:list}."
MOST_LOOKED = 9
"""Things in one of these sentences."""


def in_common(shared: Common) -> list[str]:
    """What incidents have in common beyond their sign, or what was looked at in vain."""
    if shared.patterns:
        return _in_words(shared, shared.patterns)
    if shared.doubtful:
        return [f"{one} {DOUBTFUL}" for one in _in_words(shared, shared.doubtful)]
    looked = [LOOKED_AT[one] for one in shared.looked]
    parts = [looked[at : at + MOST_LOOKED] for at in range(0, len(looked), MOST_LOOKED)]
    return [
        say(NOTHING, {"alike": shared.sign}),
        *(say(LOOKED, {"looked": part, "more": at}) for at, part in enumerate(parts)),
    ]


def _noun(shared: Common) -> str:
    return "stall" if shared.stalls else "break"


def _in_words(shared: Common, patterns: Sequence[Pattern]) -> list[str]:
    return [in_words(one, _noun(shared)) for one in patterns]


def in_words(pattern: Pattern, noun: str = "break") -> str:
    """One thing that incidents have in common, with its figures."""
    told = _with_figures(IN_COMMON[pattern.factor], pattern, noun)
    return told[0].upper() + told[1:]


def _with_figures(text: str, pattern: Pattern, noun: str = "break") -> str:
    all_of = f"each of the {count(pattern.of, noun)}"
    some_of = f"{pattern.hits:,} of the {count(pattern.of, noun)}"
    values = {
        **pattern._asdict(),
        "noun": noun,
        "which": all_of if pattern.hits == pattern.of else some_of,
        "span": _span(pattern),
        "octets": f"{pattern.least:,.0f}",
        "what": _what(pattern),
        "who": _who(pattern),
        "so_other": _so_other(pattern),
        "was": "were" if pattern.other_hits > 1 else "was",
        "otherwise": _otherwise(pattern),
        "as_well": pattern.as_well and f"{_span(pattern.as_well)} requests",
    }
    return say(text, values)


def _so_other(pattern: Pattern) -> str:
    """How many of the others it is so of: "none of the 12 other pauses"."""
    noun = f"other {OTHERS.get(pattern.factor, '')}"
    if pattern.others <= 1:
        return f"{'the one' if pattern.other_hits else 'no'} {noun}"
    few = f"{pattern.other_hits:,}" if pattern.other_hits else "none"
    return f"{few} of the {count(pattern.others, noun)}"


def _otherwise(pattern: Pattern) -> str:
    """How often it happened without an incident."""
    often = pattern.other_hits
    return f", and {times(often)} at other times" if often else ", and at no other time"


def _who(pattern: Pattern) -> str:
    """Those who did it."""
    if len(pattern.who) > MOST_NAMED:
        return f"one of {len(pattern.who):,} stations"
    return " or ".join(pattern.who) or "another station"


def _span(pattern: Pattern) -> str:
    """Between which its values lie."""
    if pattern.factor is Factor.REQUESTS:
        ends = [f"{pattern.least:,.0f}", f"{pattern.most:,.0f}"]
    elif pattern.factor is Factor.TIME_OF_DAY:
        times = (datetime.fromtimestamp(one, UTC) for one in (pattern.least, pattern.most))
        ends = [f"{one:%H:%M:%S}" for one in times]
    else:
        ends = [seconds(pattern.least), seconds(pattern.most)]
    return " to ".join(dict.fromkeys(ends))


def _what(pattern: Pattern) -> str:
    """A kind of request, by what tells it from others."""
    if pattern.kind is None:
        return ""
    size, function, unit = pattern.kind
    told = [f"of function {function}"] * (function >= 0) + [f"of {size:,} octets"] * (size >= 0)
    told += [f"for unit {unit}"] * (unit >= 0)
    return listed(told)
