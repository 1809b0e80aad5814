"""How the rules speak: short plain sentences, no blame, and a caution beside every risky step."""

import re
from collections.abc import Iterator, Mapping, ValuesView
from string import Formatter
from types import SimpleNamespace

import pytest

import rules
from analyzer.cautions import RESTART, Caution, notice
from analyzer.common import Factor, Pattern
from analyzer.facts import Request
from analyzer.findings import Rule, Step
from analyzer.reports.explain import explanation
from analyzer.reports.to_text import to_text
from analyzer.telling import LOOKED_AT, POINTS_TO, in_words
from analyzer.words import IF, UNKNOWN, outline
from rules.examples import examples

FIELDS = (
    "title",
    "what_happened",
    "means",
    "likely_causes",
    "what_to_do",
    "cautions",
    "also_fits",
    "looks_alike",
    "confirm",
    "confirm_caution",
)

ASK_FIRST = notice("Ask first.")

OPTIONAL = "confirm_caution"

MOST_WORDS = 28
"""In one sentence; a placeholder counts as one word."""

AVOIDED = re.compile(
    r"\b("
    r"errors?|failed|failures?|fatal|illegal|invalid|malformed|abort(s|ed)?|hosts?|unreachable"
    r"|timeouts?|etc"  # alarm and jargon
    r"|simply|just|obviously|please"  # they make a reader who is stuck feel small
    r"|blame|careless(ly)?|clumsy|forgot(ten)?|mistakes?|neglect(ed)?|should have|stupid"
    r"|your (own )?fault"  # blame
    r")\b|!",
    re.IGNORECASE,
)

STEP_WITH_RISK = re.compile(
    r"\b("
    r"re-?start\w*|re-?boot\w*|reset\w*|power[- ]?cycl\w*"
    r"|(power|turn)(s|ed|ing)? (it )?o(ff|n)|switch(es|ed|ing)? ((it )?off|it on)"
    r"|(start|stop)(s|ing)? the (machine|controller)"
    r"|un-?plug\w*|pull\w* out|disconnect\w*|remov\w*|firewall\w*"
    r"|(chang|correct|assign|renumber)\w* .*\baddress"
    r"|(clos|end)\w* .*\b(session|connection)"
    r"|(start|stop|run)\w* the (PC's )?program|(?<!that )(?<!may )connects?"
    r"|waiting time (well|of|than)|longer waiting time|open a new session"
    r"|try (again|once|it|the same|from)|call (again|from|it|port|the)|send the same"
    r"|plug|is plugged|plugging|(try|replac\w*|swap\w*|use) (an?other|the) cable|cable .*\bpulled"
    r"|pull\w* .*\bcable|(rout\w*|lay\w*) .*\bcable|cable (laid|routed)"
    r"|another (free )?switch port|switch between the PC and"
    r"|set .*(controller's clock|clock of the)|delete .*\bentry"
    r"|smaller packet size|as an edge port|put .*\bVLAN|(choose the|set) speed"
    r"|(off|without) the network|cabled? (\w+ )*directly"
    r")\b|(^|\b(then|and) )(set|give) .*\baddress\b",
    re.IGNORECASE,
)
"""A step that can stop, start or command a machine, end a session, pull or move a plug, move an
address or open a door.
"""

RISK_TOO = re.compile(
    r"(given?|set|needed|free|fixed|took|send) .*\b(address|one|from x)|address set\b"
    r"|(session|connection|program|programs|VPN) .*\bclosed|[Cc]lose .*\bprograms"
    r"|started (again|once)|port .*\bopened|enter .*\btable|entry renewed|Stop the bridged network"
    r"|Take out .*\bcable|taken off this network|masks made the same|limit .*\braised"
    r"|asks for (it|a new)|PC ask|through to that|supply|command loop|have it set"
    r"|another (kind of request|program)|ask UDP|second PC|message through|ask for a rule"
    r"|program tries|one by one"
)
"""Beside those, where the caution itself shows that the step was thought of."""

TERMS = re.compile(
    r"(ACK|ARP|BOOTP|CPU|Connect|DHCP|Ethernet|FIN|Hz|I/O|ICMP|ICMPv6|ID|IEEE|IP|IPv4|IPv6|LAN|LLDP|[MG]bit/s|MTU"
    r"|PCs?|RFC|RST|SYN|TCP|TLS|TTL|UDP|USB|UTC|TSAP|VLAN|VPN|Wi-Fi|SIZE|Windows|Linux|macOS)(-[a-z]+)*"
)
"""The words that may have a capital inside a sentence. Any other one is likely somebody's name."""


def sentences(text: str) -> list[str]:
    """The sentences of a text; a full stop inside a number or an address ends none."""
    return [piece for piece in re.split(r"(?<=[.!?])[\"')]*\s+", text.strip()) if piece]


def filled(template: str) -> str:
    """A template with an x for each placeholder, and all its clauses. Raises ValueError where it is
    not well formed.
    """
    pieces = []
    for before, name, spec, _ in Formatter().parse(template):
        pieces.append(before)
        if name is not None:
            if not name.isidentifier():
                raise ValueError(f"{{{name}}} is no name of a value")
            is_clause = spec is not None and spec.startswith(IF)
            pieces.append(filled(spec.removeprefix("if")) if is_clause and spec else "x")
    return "".join(pieces)


def texts(rule: object) -> Iterator[tuple[str, str]]:
    """Field and text of everything that a rule says; each field is one text or several."""
    for field in FIELDS:
        value = getattr(rule, field)
        value = value.values() if isinstance(value, Mapping) else value
        for text in value if isinstance(value, list | tuple | ValuesView) else (value,):
            if text or field != OPTIONAL:
                yield from _parts(field, text)


def _parts(field: str, text: str | Step | Caution) -> Iterator[tuple[str, str]]:
    if not isinstance(text, Step):
        yield field, text if isinstance(text, str) else str(text)
        return
    yield field, text.text
    if text.caution:
        yield "cautions", str(text.caution)


def badly_said(template: str) -> list[str]:
    """What is wrong with one text of a rule."""
    try:
        text = filled(template).strip()
    except ValueError as reason:
        return [f"no template: {reason}"]
    complaints = []
    if not text.isascii():
        complaints.append("a character that is not ASCII")
    if text != " ".join(text.split()) or not text:
        complaints.append("a gap, or nothing at all")
    complaints += [f"the word {found[0]}" for found in AVOIDED.finditer(text)]
    for sentence in sentences(text):
        words = sentence.split()
        if len(words) > MOST_WORDS:
            complaints.append(f"{len(words)} words in: {sentence}")
        inner = re.findall(r"(?<=[\w,;)-] )[\"'(]*([A-Za-z][\w/-]*)", sentence)
        names = [w for w in inner if not w.islower() and not TERMS.fullmatch(w)]
        complaints += [f"a name? {word}" for word in names]
    return complaints


def risk_without_caution(rule: SimpleNamespace) -> list[str]:
    """Risky steps of a rule, and a risky deciding test, that have no caution of their own."""
    steps = [*rule.what_to_do, Step(rule.confirm, rule.confirm_caution)]
    texts = [filled(step.text) for step in steps if not step.caution]
    return [said for text in texts for said in sentences(text) if STEP_WITH_RISK.search(said)]


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_rule_speaks_plainly(rule: SimpleNamespace) -> None:
    complaints = [f"{field}: {c}" for field, text in texts(rule) for c in badly_said(text)]
    assert complaints == []


JOINED = re.compile(r"[^\s(\"]\(|\)[\w<]|[.,;:][A-Za-z<]|>[A-Za-z<]|[A-Za-z]<| [.,;:]|  ")


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_rule_reads_as_sentences_without_a_recording(rule: SimpleNamespace) -> None:
    """As `whynolink rules` prints it, with its example and without: no two words run together."""
    for told in (outline_of(rule, EXAMPLES.get(rule.slug, {})), outline_of(rule, {})):
        assert [text for text in told if JOINED.search(text)] == []
    every = [filled(WITH_A_LEAD.sub("", text)).strip() for _, text in texts(rule)]
    assert [text for text in every if JOINED.search(text)] == []


EXAMPLES = examples()
WITH_A_LEAD = re.compile(r"\{\w+:(label|mask|unit|within)\}")
"""Values that bring what stands in front of them."""


def outline_of(rule: object, example: Mapping[str, object]) -> list[str]:
    return [outline(text, example) for _, text in texts(rule)]


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_every_rule_is_explained_with_an_example(rule: Rule) -> None:
    """No placeholder is left; `python -m tests.examples` renews the examples."""
    lines = to_text(explanation(rule, EXAMPLES.get(rule.slug, {}))).split("\n")
    assert [line for line in lines if UNKNOWN.search(line) or "where it applies" in line] == []


def test_examples_are_of_rules_that_there_are() -> None:
    assert EXAMPLES.keys() <= {rule.slug for rule in rules.ALL}


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_risky_step_has_a_caution(rule: SimpleNamespace) -> None:
    assert risk_without_caution(rule) == []


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_a_caution_stands_at_a_risky_step_only(rule: SimpleNamespace) -> None:
    """Cautions that stand everywhere are read nowhere."""
    steps = [*rule.what_to_do, Step(rule.confirm, rule.confirm_caution)]
    told = [filled(step.text) for step in steps if step.caution]
    risks = (STEP_WITH_RISK, RISK_TOO)
    assert [text for text in told if not any(risk.search(text) for risk in risks)] == []


@pytest.mark.parametrize("rule", rules.ALL, ids=lambda rule: rule.slug)
def test_a_restart_comes_last(rule: Rule) -> None:
    """Cheapest and safest first: nothing stops more than a restart of the controller."""
    assert RESTART not in [step.caution for step in rule.what_to_do[:-1]]


def test_there_are_rules_to_read() -> None:
    assert rules.ALL


@pytest.mark.parametrize(
    "text",
    [
        "The connection failed.",
        "Errors came back from {controller}.",
        "Just look at the lamps.",
        "You should have waited.",
        "Nobody answered!",
        "The cable \N{EM DASH} or the plug.",
        "The lamp is  dark.",
        "",
        "The lamp at {controller is dark.",
        "The lamp at {} is dark.",
        "Ask the people from Examplecorp for the manual.",
        "Ask for the manual of the model X100.",
        "word " * MOST_WORDS + "word.",
    ],
)
def test_bad_text_is_flagged(text: str) -> None:
    assert len(badly_said(text)) == 1


@pytest.mark.parametrize(
    "text",
    [
        "Nothing answered at {controller}",
        "{pc} asked {tries:times}{span:within} which device uses the address {controller}.",
        "The mask is 255.255.255.0. Then the PC asks by ARP. Is it lit? Yes, at 10 Mbit/s.",
        "word " * (MOST_WORDS - 1) + "{span:within}. " + "word " * (MOST_WORDS - 1) + "word.",
        "It comes from the ghost of an adjusted terror.",
    ],
)
def test_good_text_is_not_flagged(text: str) -> None:
    assert badly_said(text) == []


def a_rule(**said: object) -> SimpleNamespace:
    nothing = dict.fromkeys(FIELDS, ()) | {"confirm": "", "confirm_caution": None}
    return SimpleNamespace(**nothing | said)


@pytest.mark.parametrize(
    "step",
    [
        "Restart the controller.",
        "Wait a minute, then power-cycle it.",
        "Switch off the controller.",
        "Unplug the device you added last.",
        "Change the controller's address.",
        "Set a free address on the PC.",
        "Let the firewall on the PC pass port {port}.",
        "Close the session of the panel.",
        "Remove the second server.",
        "Stop the program and wait.",
        "Set the controller's clock.",
        "Delete that entry on the PC.",
        "Set the adapter to a smaller packet size.",
        "Have the port set up as an edge port.",
        "Have the port put into the VLAN of the controller.",
        "Let both ends choose the speed by themselves.",
        "Take one of the two off the network.",
        "Cable the PC directly to the controller.",
        "Start the program on the PC first, and let the controller call afterwards.",
        "Stop the PC's program, and start it once more.",
        "Give the program a longer waiting time.",
        "Have the program open a new session.",
        "Run the program outside the virtual machine.",
        "Record again, and start 5 s before you connect.",
        "Record on all adapters while somebody presses Connect once.",
        "Let the program connect again by itself.",
        "Wait 10 s, then try again.",
        "Wait for the time limit, then try once more.",
        "Try from a PC on the controller's own switch.",
        "Call from another PC.",
        "Call the port from a second PC.",
        "Send the same request from a second PC.",
        "Plug the PC into the same switch as the controller.",
        "Begin before the cable is plugged into the PC.",
        "Try another cable between the PC and its socket.",
        "Put a small switch between the PC and the controller.",
        "Use another switch port.",
        "Have the cable laid away from motor cables.",
        "Do this before the cable is pulled again.",
    ],
)
def test_risky_step_without_caution_is_flagged(step: str) -> None:
    steps = [Step("Look at the lamps."), Step(f"Look at the lamps. {step}")]
    risky = [step.replace("{port}", "x")]
    assert risk_without_caution(a_rule(what_to_do=steps)) == risky
    assert risk_without_caution(a_rule(confirm=step)) == risky
    assert risk_without_caution(a_rule(what_to_do=steps, cautions=(ASK_FIRST,))) == risky


def test_a_caution_of_its_own_covers_a_step() -> None:
    steps = [Step("Restart the controller.", ASK_FIRST)]
    told = a_rule(what_to_do=steps, confirm="Unplug it.", confirm_caution=ASK_FIRST)
    assert risk_without_caution(told) == []


@pytest.mark.parametrize(
    "step",
    [
        "Compare the address with the one on the label.",
        "Read the address that is set on the controller. Does the session list end there?",
        "Record on the PC that connects, with no filter set.",
        "Look in the settings whether this PC may connect.",
        "Ask which cable was plugged in last, and who else is connected.",
        "Look whether the program is running, and which port each call goes to.",
        "Put a small switch on the bench between the two.",
    ],
)
def test_harmless_step_needs_no_caution(step: str) -> None:
    assert risk_without_caution(a_rule(what_to_do=[Step(step)], confirm=step)) == []


def test_every_field_is_read() -> None:
    told = a_rule(**{field: f"This is {field}." for field in FIELDS})
    assert list(texts(told)) == [(field, f"This is {field}.") for field in FIELDS]
    several = a_rule(what_to_do=["One.", "Two."], confirm="Three.")
    told = [("what_to_do", "One."), ("what_to_do", "Two."), ("confirm", "Three.")]
    assert list(texts(several)) == told


@pytest.mark.parametrize("factor", Factor)
def test_what_breaks_have_in_common_is_said_and_points_somewhere(factor: Factor) -> None:
    alone = in_words(
        Pattern(factor, 4, 4, 0, 0, 0.001, 2.0, 2.0, Request(12, 3, 1), ["192.0.2.20"])
    )
    assert alone.startswith(
        ("Each of the 4 ", "The last request", "Before", "Up to", "Around", "From")
    )
    assert len(alone.split()) <= 28
    assert POINTS_TO[factor]
    assert LOOKED_AT[factor]


@pytest.mark.parametrize("factor", [Factor.AGE, Factor.REQUESTS, Factor.AT_REQUEST])
def test_nothing_is_compared_with_no_other_times(factor: Factor) -> None:
    others = [in_words(Pattern(factor, 4, 4, 0, n, 0.001, 2.0, 2.0)) for n in (0, 7)]
    assert ["other" in one for one in others] == [False, True]
