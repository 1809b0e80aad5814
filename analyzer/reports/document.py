"""A diagnosis -> one document: the only place where a report's wording is decided.

A document is a list of blocks. Renderers turn blocks into characters and add no words.
"""

from collections.abc import Iterator, Sequence
from datetime import timedelta

from analyzer.cautions import COMMANDS
from analyzer.diagnosis import (
    CANNOT_TELL,
    Certainty,
    Diagnosis,
    Finding,
    How,
    Kind,
    Level,
    LinkUp,
    Moment,
    Outcome,
    Stage,
    StageResult,
    State,
    Station,
    Step,
    Verdict,
)
from analyzer.reports.blocks import (
    Block,
    Caution,
    Heading,
    Listing,
    Paragraph,
    SequenceChart,
    StageChart,
    StageRow,
    Table,
)
from analyzer.reports.differences import differences
from analyzer.reports.overview import in_words, spread_chart, strip, timed
from analyzer.reports.sequence import chart
from analyzer.words import clean, count, listed, say, seconds, times

SHOWN_AS = {
    Stage.LINK: "Cable and link",
    Stage.ADDRESS: "The PC's own address",
    Stage.NEIGHBOUR: "The controller's hardware address",
    Stage.ROUTE: "Same network, or a working route",
    Stage.PORT: "The port opens",
    Stage.SESSION: "The session stays up",
    Stage.ANSWER: "The controller answers",
}
HOW_KNOWN = {
    "told": "given with --controller",
    "sheet": "named in the site sheet",
    "industrial": "the PC called a port there that is registered for industrial use",
    "tried": "the PC tried to reach it",
    "called": "it called the PC, and the PC answered",
    "asked": "the PC asked for its hardware address",
}
WHICH_PC = {
    "told": "given with --pc",
    "sheet": "named in the site sheet",
    "recorded": "named by the recording itself",
    "traffic": "worked out from the traffic",
}
ENDED = {
    Verdict.COMPLETE: "complete",
    Verdict.STOPPED: "stopped",
    Verdict.UNSTABLE: "unstable",
    Verdict.CANNOT_TELL: "cannot be told",
}
TRIED = {
    "arp": "asks for the hardware address",
    "ping": "pings",
    "tcp": "calls TCP port {port}",
    "udp": "sends to UDP port {port}",
}
TRY_ENDED = {
    How.IGNORED: "no answer",
    How.ANSWERED: "{answers:count answer}",
    How.REFUSED: "turned down",
    How.HELD_OVER: "answered as an older session",
    How.TURNED_DOWN: "accepted after the PC had given up",
    How.UNHEARD: "accepted again and again, and not taken up",
    How.NOT_SEEN: "accepted, and not taken up",
    How.TURNED_AWAY: "opened, and sent away with a text",
    How.DROPPED: "opened, and ended at once",
    How.MUTE: "opened, no answer to the request",
    How.HUNG: "{answers:count answer}, then none",
    How.RESET: "{answers:count answer}, then broken by a reset",
    How.CLOSED: "{answers:count answer}, then closed",
    How.OPEN: "{answers:count answer}, open to the end",
}
FEW = 2
"""Link-ups that are all told in full."""
MOST_TRIES = 12
"""Rows of tries listed without --all."""
MOST_STATIONS = 12
"""Stations listed without --all."""
MOST_PIECES = 12
"""Files of one recording listed without --all."""
TROUBLES = {
    "no-attempt", "started-late", "stopped-early", "damaged-file", "frames-cut-short",
    "no-hardware-addresses", "filtered-recording", "wrong-adapter", "recorder-dropped",
    "third-party-recording", "clock-jump",
}  # fmt: skip
"""Findings that call for a better recording."""
NOT_RECORDINGS = "What came along and could not be used"
STILL_TROUBLE = (
    "If the program still reports trouble: what the answers say is not judged here. Read the "
    "program's message, look whether the PC's firewall lets the program receive, and compare "
    "protocol, unit number and access rights with the controller's manual."
)
GOOD_RECORDING = (
    Step(
        "Record on the PC that tries to connect, on the adapter that the cable is in: whole "
        "frames, no filter. whynolink record does so."
    ),
    Step("Start the recorder, wait 5 s, connect once, wait 30 s, stop.", COMMANDS),
    Step(
        "Note the clock time with its time zone, both addresses with their masks, and the hardware "
        "address on the label."
    ),
    Step(
        "Save as pcapng or pcap and send that file. It holds passwords and names, too: ask before "
        "it leaves the site, or send the copy that whynolink trim makes."
    ),
    Step("A second recording of a PC that does connect tells most."),
)
"""The card that goes with a report or a letter where another recording is needed."""


def report(
    diagnoses: Sequence[Diagnosis],
    everything: bool = False,
    pictures: bool = False,
    made: Sequence[str] = (),
    refused: Sequence[str] = (),
) -> list[Block]:
    """The document for one or several recordings; everything: all findings in full; pictures: with
    those that only a page can show; made: by which version and with which options, told at the end;
    refused: a line for each thing that came with them and is no recording.
    """
    blocks = [
        block
        for number, one in enumerate(diagnoses, 1)
        for block in _recording(one, str(number), everything, pictures)
    ]
    if refused:
        blocks += [Heading(NOT_RECORDINGS), Listing([Step(clean(text)) for text in refused])]
    if made:
        hashes = [f"{one.facts.file}: SHA-256 {one.facts.sha256}" for one in diagnoses]
        told = [Step(clean(text)) for text in (*made, *hashes)]
        blocks += [Heading("How this report was made"), Listing(told)]
    return blocks


def _recording(
    diagnosis: Diagnosis, number: str, everything: bool, pictures: bool
) -> Iterator[Block]:
    yield Heading(clean(diagnosis.facts.file), 1)
    yield Paragraph(what_it_is(diagnosis))
    yield from (Paragraph(text) for text in comments(diagnosis))
    yield from _pieces(diagnosis, everything)
    in_time = strip(diagnosis) if pictures else None
    if not diagnosis.outcomes:
        yield Paragraph(_nobody(diagnosis))
    if len(diagnosis.outcomes) > 1:
        yield from _overview(diagnosis.outcomes)
    in_full = diagnosis.outcomes if everything else _in_full(diagnosis.outcomes)
    told: list[Finding] = []
    pictured = pictures or everything
    for place, outcome in enumerate(in_full, 1):
        passed = chart(diagnosis, outcome, f"event-{number}-{place}") if pictured else None
        yield from _outcome(diagnosis, outcome)
        gravest = outcome.fault or outcome.warning
        if gravest is not None and gravest not in told:
            yield from _finding(diagnosis, gravest, told, passed)
            told.append(gravest)
        if passed is not None:
            yield Heading(passed.title)
            yield from () if in_time is None else (in_time,)
            yield passed
            in_time = None
        if pictured:
            yield from _durations(outcome)
    yield from () if in_time is None else (in_time,)
    for finding in diagnosis.findings if everything else _main(diagnosis):
        if finding not in told:
            yield from _finding(diagnosis, finding, told)
            told.append(finding)
    led = [outcome.fault for outcome in diagnosis.outcomes]
    short = [one for one in diagnosis.findings if one not in told and one not in led]
    if short:
        yield Heading("Also noticed")
        yield Listing([Step(f"{_capital(f.level)}: {f.title} ({f.rule}).") for f in short])
        these = "this" if len(short) == 1 else "these"
        yield Paragraph(f"Run it again with --all to have {these} explained.")
    yield from _stations(diagnosis, everything)
    yield Heading("What this recording cannot tell")
    yield Listing([Step(text) for text in _cannot_tell(diagnosis)])
    if calls_for_another(diagnosis):
        yield Heading("How to make a good recording")
        yield Listing(GOOD_RECORDING, numbered=True)


def _pieces(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    """Which files were joined, and where each begins."""
    pieces = diagnosis.facts.pieces
    if not pieces:
        return
    yield Paragraph("These files follow on from one another. They are joined in order of time:")
    shown = pieces if everything else pieces[:MOST_PIECES]
    yield Listing([Step(f"{clean(one.name)}: from frame {one.first:,} on") for one in shown])
    if len(shown) < len(pieces):
        yield Paragraph(f"{len(pieces) - len(shown)} more: list them with --all.")


def _durations(outcome: Outcome) -> Iterator[Block]:
    kinds = timed(outcome)
    if kinds:
        yield Heading("Round trips and answers")
        yield Listing([Step(in_words(*one)) for one in kinds])
        yield spread_chart(kinds)


def _overview(outcomes: Sequence[Outcome]) -> Iterator[Block]:
    """Several link-ups at a glance."""
    counts = {verdict: sum(one.verdict is verdict for one in outcomes) for verdict in Verdict}
    told = listed([f"{number} {ENDED[verdict]}" for verdict, number in counts.items() if number])
    yield Heading(f"{len(outcomes)} controllers: {told}")
    rows = []
    for one in outcomes:
        stage = list(Stage).index(one.stopped_at) + 1 if one.stopped_at else "-"
        why = one.fault.title if one.fault else because_of(one)
        port = one.linkup.target.port or "-"
        rows.append((str(one.linkup.controller), str(port), str(one.verdict), str(stage), why))
    yield Table(("Controller", "Port", "Verdict", "Stage", "Why"), rows)
    if counts[Verdict.COMPLETE] == len(outcomes) > FEW:
        yield Paragraph(STILL_TROUBLE)


def because_of(outcome: Outcome) -> str:
    """What tells most of a link-up without a fault: the last stage that is seen working or not."""
    wanted = State.PASSED if outcome.verdict is Verdict.COMPLETE else State.UNCLEAR
    return _capital([one.because for one in outcome.stages if one.state is wanted][-1])


def _in_full(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """Of many link-ups, the first of each trouble."""
    if len(outcomes) <= FEW:
        return list(outcomes)
    first: dict[object, Outcome] = {}
    for one in outcomes:
        if one.verdict is not Verdict.COMPLETE:
            first.setdefault((one.verdict, one.fault and one.fault.rule), one)
    return list(first.values())


def _main(diagnosis: Diagnosis) -> list[Finding]:
    """What is told in full where no link-up has a fault: the first fault or warning."""
    if any(outcome.fault for outcome in diagnosis.outcomes):
        return []
    return [one for one in diagnosis.findings if one.level is not Level.NOTE][:1]


def calls_for_another(diagnosis: Diagnosis) -> bool:
    """Whether a better recording would tell more."""
    grave = [one.rule for one in diagnosis.findings if one.level is not Level.NOTE]
    return diagnosis.status == CANNOT_TELL or any(rule in TROUBLES for rule in grave)


def main_findings(diagnosis: Diagnosis) -> list[Finding]:
    """The findings that matter most: the fault of each link-up, or what is told without one."""
    led = [outcome.fault for outcome in diagnosis.outcomes if outcome.fault is not None]
    return list(dict.fromkeys(led)) or _main(diagnosis)


def what_it_is(diagnosis: Diagnosis) -> str:
    """How much was recorded, when, and how it is stored."""
    facts = diagnosis.facts
    packed = ", gzip" if facts.compressed else ""
    how = f"Recorded as {facts.format}{packed}, link type {facts.link_type}."
    return f"{_capital(how_much(diagnosis))}. {how}"


def how_much(diagnosis: Diagnosis) -> str:
    """How much was recorded, and when."""
    facts = diagnosis.facts
    if facts.first_seen is None:
        return "no frames"
    frames = count(facts.coverage.frames, "frame")
    began = f"{facts.first_seen:%Y-%m-%d %H:%M:%S} UTC"
    return f"{frames} in {seconds(facts.coverage.seconds)}, from {began}"


def _nobody(diagnosis: Diagnosis) -> str:
    case = diagnosis.case
    if case.pc is not None and case.pc.how_known == "told" and not _occurs(diagnosis):
        named = listed([*case.pc.addresses, *([case.pc.hardware] if case.pc.hardware else [])])
        return f"The PC {named}, given with --pc, sends nothing in this recording."
    if case.pc is None and len(case.candidates) > 1:
        names = listed(list(dict.fromkeys(_name(station) for station in case.candidates))[:8])
        return (
            "Which station is the PC that recorded? These fit equally well: "
            f"{names}. Say so with --pc ADDRESS."
        )
    seen = f" It had to do with {listed(case.others[:8])}." if case.others else ""
    return (
        "No controller was found: the PC called none that can be told from its other traffic."
        f"{seen} If you know its address, name it with --controller ADDRESS."
    )


def _occurs(diagnosis: Diagnosis) -> bool:
    """Whether the PC sent any frame."""
    pc, stations = diagnosis.case.pc, diagnosis.facts.stations
    return pc is not None and any(_is_one(one, pc.hardware, pc.addresses) for one in stations)


def _name(station: Station) -> str:
    addresses = [str(address) for address in station.addresses]
    return addresses[0] if addresses else str(station.hardware)


def _outcome(diagnosis: Diagnosis, outcome: Outcome) -> Iterator[Block]:
    linkup = outcome.linkup
    yield Heading(_who(linkup))
    yield Paragraph(headline(outcome), strong=True)
    gravest = outcome.fault or outcome.warning
    if gravest is not None:
        lead = f"{gravest.title}. " if outcome.verdict is Verdict.CANNOT_TELL else ""
        yield Paragraph(lead + certainty(gravest))
    rows = []
    for number, result in enumerate(outcome.stages, 1):
        because = f"{_capital(result.because)}{_shown_in(result)}" if result.because else ""
        rows.append(StageRow(f"{number} {SHOWN_AS[result.stage]}", result.state, because))
    yield StageChart(("Stage", "State", "Because"), rows)
    yield from _tries(outcome)
    yield Paragraph(_how_known(diagnosis, linkup))
    unlike = [Step(text) for text in differences(diagnosis, linkup)]
    if unlike:
        yield Paragraph("Unlike the site sheet:")
        yield Listing(unlike)
    if outcome.verdict is Verdict.COMPLETE and outcome.warning is None:
        yield Paragraph(STILL_TROUBLE)


def _shown_in(result: StageResult) -> str:
    """The frame that shows it, or with which the trouble begins."""
    if result.moment is None:
        return ""
    frame = f"frame {result.moment.frame:,}"
    return f" (from {frame} on)" if result.state is State.FAILED else f" ({frame})"


def _tries(outcome: Outcome) -> Iterator[Block]:
    """What the PC tried, where that is more than one call."""
    if sum(one.times for one in outcome.tries if one.what != "arp") < 2:
        return
    rows = []
    for one in outcome.tries[:MOST_TRIES]:
        values = {"port": one.port, "answers": one.answers}
        what, ended = say(TRIED[one.what], values), say(TRY_ENDED[one.how], values)
        begin, end = one.first.seconds, one.last.seconds
        rows.append((f"{begin:.1f}-{end:.1f}", f"{_capital(what)} {times(one.times)}", ended))
    yield Table(("From, to (s)", "What the PC tried", "How it ended"), rows)
    if len(outcome.tries) > MOST_TRIES:
        yield Paragraph(f"{len(outcome.tries) - MOST_TRIES} more rows like these are left out.")


def _who(linkup: LinkUp) -> str:
    pc = f"The PC {linkup.pc_address}" if linkup.pc_address is not None else "The PC"
    port = ""
    if linkup.target.port is not None and linkup.target.transport is not None:
        port = f", {linkup.target.transport.upper()} port {linkup.target.port}"
    name = f" ({clean(linkup.sheet.name)})" if linkup.sheet and linkup.sheet.name else ""
    return f"{pc} and the controller {linkup.controller}{name}{port}"


def headline(outcome: Outcome) -> str:
    """What happened to a link-up, in one sentence."""
    stage = outcome.stopped_at
    number = list(Stage).index(stage) + 1 if stage else 0
    title = outcome.fault.title if outcome.fault else ""
    match outcome.verdict:
        case Verdict.COMPLETE if outcome.warning is not None:
            return f"The link-up works, with a warning: {outcome.warning.title}."
        case Verdict.COMPLETE if outcome.asked_by_controller:
            return "The link-up works: the controller calls the PC, and the PC answers."
        case Verdict.COMPLETE:
            return "The link-up works: the controller answers the PC."
        case Verdict.STOPPED:
            return f"Link-up stopped at stage {number} of {len(Stage)}: {title}."
        case Verdict.UNSTABLE:
            what = "then broke" if _broke(outcome) else "then met trouble"
            return f"The link came up, {what} at stage {number} of {len(Stage)}: {title}."
        case Verdict.CANNOT_TELL:
            return "This recording cannot tell whether the link-up works."


def _broke(outcome: Outcome) -> bool:
    """Whether anything of the link-up ended that was wanted, not only is in danger."""
    fault = outcome.fault
    is_lower = fault is not None and list(Stage).index(Stage(fault.stage)) < list(Stage).index(
        Stage.SESSION
    )
    held = any(one.stage == Stage.SESSION and one.state is State.PASSED for one in outcome.stages)
    return not (is_lower and held)


def certainty(finding: Finding) -> str:
    """How sure a finding is, in a sentence."""
    proof = "the frames listed below" if finding.evidence else "the recording as a whole"
    if finding.certainty is Certainty.SHOWN:
        with_sheet = finding.linkup is not None and finding.linkup.sheet is not None
        sheet = ", with the site sheet" if with_sheet else ""
        return f"Certainty: shown by {proof}{sheet}."
    return f"Certainty: fits {proof}; so does what is listed below as looking the same."


def _how_known(diagnosis: Diagnosis, linkup: LinkUp) -> str:
    others = diagnosis.case.others
    seen = f" The PC also had to do with {listed(others[:8])}." if others else ""
    if len(others) > 8:
        seen = seen[:-1] + f" and {len(others) - 8} more."
    if diagnosis.case.unanswered:
        silent = listed(diagnosis.case.unanswered[:8])
        seen += f" It asked in vain for {silent}. Name with --controller whom you want judged."
    return (
        f"The controller: {HOW_KNOWN[linkup.target.how_known]}. "
        f"The PC: {WHICH_PC[linkup.pc.how_known]}.{seen}{_other_port(linkup)}"
    )


def _other_port(linkup: LinkUp) -> str:
    """Where the user named a port and the PC called others."""
    called = sorted({session.server.port for session in linkup.other_sessions})
    how = linkup.target.how_known
    if how not in ("told", "sheet") or linkup.sessions or not called:
        return ""
    given = "was given" if how == "told" else "stands in the site sheet"
    return (
        f" Port {linkup.target.port} {given}; the PC called port {listed(called)} instead. "
        f"To have that judged: --controller {linkup.controller}:{called[0]}."
    )


def _finding(
    diagnosis: Diagnosis,
    finding: Finding,
    told: Sequence[Finding],
    passed: SequenceChart | None = None,
) -> Iterator[Block]:
    """A finding in full; causes and steps only once a rule."""
    yield Heading(finding.title)
    yield Paragraph(finding.what_happened)
    if finding.evidence:
        yield Heading("Why we think so", 3)
        yield _proof(diagnosis, finding, passed)
    before = next((one for one in told if one.rule == finding.rule), None)
    if before is not None:
        yield Paragraph(f'Causes and steps are those under "{before.title}" above.')
        return
    if finding.likely_causes:
        yield Heading("Likely causes, most likely first", 3)
        yield Listing([Step(text) for text in finding.likely_causes])
    if finding.also_fits:
        yield Heading("What would look the same", 3)
        yield Listing([Step(text) for text in finding.also_fits])
    yield Heading("What to do", 3)
    yield from general_cautions(finding)
    yield Listing(finding.what_to_do, numbered=True)
    if finding.confirm.text:
        yield Heading("The test that decides", 3)
        yield Listing([finding.confirm])


def general_cautions(finding: Finding) -> Iterator[Block]:
    """The cautions that belong to no single step."""
    beside = {step.caution for step in [*finding.what_to_do, finding.confirm]}
    yield from (Caution(text) for text in finding.cautions if text not in beside)


def _proof(diagnosis: Diagnosis, finding: Finding, passed: SequenceChart | None) -> Table:
    named = passed.events if passed is not None else ()
    names = {one.frame: one.name for one in named if one.name}
    rows = []
    for one in finding.evidence:
        when = clock(diagnosis, one.moment)
        rows.append((f"{one.moment.frame:,}", f"{one.moment.seconds:.3f}", when, one.text))
    events = [names.pop(one.moment.frame, "") for one in finding.evidence]
    return Table(("Frame", "Seconds", "UTC", "What it shows"), rows, events)


def clock(diagnosis: Diagnosis, moment: Moment) -> str:
    """The time of day of a frame, nothing where the recording knows none."""
    began = diagnosis.facts.first_seen
    return f"{began + timedelta(seconds=moment.seconds):%H:%M:%S}" if began is not None else ""


def _stations(diagnosis: Diagnosis, everything: bool) -> Iterator[Block]:
    stations = diagnosis.facts.stations
    if not stations:
        return
    shown = stations if everything else stations[:MOST_STATIONS]
    rows = [_station(diagnosis, station) for station in shown]
    yield Heading("Stations in this recording")
    yield Table(("Hardware address", "Addresses", "Who", "Frames", "From, to (s)"), rows)
    if len(shown) < len(stations):
        yield Paragraph(f"{len(stations) - len(shown)} more: list them with --all.")
    made = [f"{one.hardware}: {clean(one.maker)}" for one in shown if one.maker]
    if made:
        yield Paragraph("Who made these adapters, by the public registry:")
        yield Listing([Step(text) for text in made])


def _station(diagnosis: Diagnosis, station: Station) -> list[str]:
    addresses = sorted(station.addresses)
    few = listed(addresses[:3]) + (f" and {len(addresses) - 3} more" if len(addresses) > 3 else "")
    begin, end = (max(0.0, moment.seconds) for moment in (station.first, station.last))
    return [
        str(station.hardware or "-"),
        few,
        ROLES.get(role(diagnosis, station), ""),
        f"{station.frames:,}",
        f"{begin:.1f}-{end:.1f}",
    ]


ROLES = {
    "pc": "the PC",
    "controller": "the controller",
    "router": "a router",
    "switch": "a switch",
    "rival": "has its address, too",
}
"""What a station is, in the table."""


def role(diagnosis: Diagnosis, station: Station) -> str:
    """What a station is in this recording: pc, controller, router, switch, nothing known, or rival:
    one of several that use the controller's address.
    """
    pc, linkups = diagnosis.case.pc, diagnosis.case.linkups
    if pc is not None and _is_one(station, pc.hardware, pc.addresses):
        return "pc"
    if station.is_router or any(one.router and one.router == station.hardware for one in linkups):
        return "router"
    if any(_is_one(station, one.hardware, [one.controller]) for one in linkups):
        return "controller"
    if any(one.hardware is None and one.controller in station.addresses for one in linkups):
        return "rival"
    return "switch" if station.is_switch else ""


def _is_one(station: Station, hardware: object, addresses: Sequence[int]) -> bool:
    if station.hardware is not None:
        return station.hardware == hardware
    return bool(set(station.addresses) & set(addresses))


def comments(diagnosis: Diagnosis) -> list[str]:
    """What the file says of itself: a copy whose addresses are made up says so."""
    texts = diagnosis.facts.comments
    return [say("A comment in the file says: {text}", {"text": text}) for text in texts]


def remarks(diagnosis: Diagnosis) -> list[str]:
    """What is odd about the recording itself, in sentences."""
    facts, coverage = diagnosis.facts, diagnosis.facts.coverage
    said = comments(diagnosis)
    if facts.damage is not None:
        said.append(
            say(
                "Damaged at byte {octet}, after {frames:count frame}: {why}.",
                {
                    "octet": facts.damage.octet,
                    "frames": facts.damage.after_frame,
                    "why": facts.damage.why,
                },
            )
        )
    counts = {
        "{n:count copy} of frames seen before, not counted again.": coverage.copies,
        "{n:count frame} stored without the end.": coverage.cut,
        "{n:count packet} with a length beyond the frame: only what was on the wire counts.": (
            coverage.overlong
        ),
        "{n:count frame} without a time.": facts.untimed,
        "{n:count IPv6 frame} not analysed; link-up uses IPv4.": coverage.count(Kind.IPV6),
        "{n:count frame} of a kind that cannot be read here.": coverage.count(Kind.UNREADABLE),
        "{n:count frame} lost by the recorder, as it says itself.": facts.drops or 0,
        "The clock was set back {n:times}.": coverage.backwards.count,
    }
    said += [say(text, {"n": number}) for text, number in counts.items() if number]
    return said


def _cannot_tell(diagnosis: Diagnosis) -> list[str]:
    said = remarks(diagnosis)[len(comments(diagnosis)) :]
    if any(one.linkup.presumes_mask for one in diagnosis.outcomes):
        said.append(PRESUMED)
    for outcome in diagnosis.outcomes:
        if outcome.verdict is Verdict.CANNOT_TELL:
            said.append(_what_would_tell(outcome))
        if outcome.fault is not None and outcome.fault.certainty is Certainty.FITS:
            said.append("Which of the causes named above it is: the test named with them decides.")
    unable: dict[str, list[str]] = {}
    for rule, because in diagnosis.unable:
        unable.setdefault(because, []).append(rule)
    said += [
        f"{_capital(why)}: {_unchecked(names)} could not be checked."
        for why, names in unable.items()
    ]
    said.append(
        "Whether a frame sent by the PC reached the cable, and whether a frame received by it "
        "reached the program: the recorder sits between the two."
    )
    return said


def _unchecked(names: Sequence[str]) -> str:
    return listed(names) if len(names) <= MOST_NAMES else count(len(names), "rule")


PRESUMED = (
    "The PC's mask: 255.255.255.0 is presumed, as nothing in the recording names it. Whether both "
    "are in one network rests on that."
)
MOST_NAMES = 4
"""Rules that are named where they could not look."""
WOULD_TELL = {
    Stage.LINK: "A recording of 60 s that begins before the cable is plugged in would tell.",
    Stage.ADDRESS: "A recording that begins before the cable is plugged in would tell.",
    Stage.ANSWER: "A recording in which the program asks for something would tell.",
}
ONE_ATTEMPT = "A recording of one whole attempt, from 5 s before to 30 s after it, would tell."


def _what_would_tell(outcome: Outcome) -> str:
    unclear = next(one for one in outcome.stages if one.state is State.UNCLEAR)
    who = outcome.linkup.controller
    opened = [one for one in outcome.linkup.sessions if one.completed is not None]
    unused = bool(opened) and not any(one.from_client.octets for one in opened)
    stage = Stage.ANSWER if unclear.stage is Stage.SESSION and unused else unclear.stage
    would_tell = WOULD_TELL.get(stage, ONE_ATTEMPT)
    return f"How far link-up with {who} got: {unclear.because}. {would_tell}"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
