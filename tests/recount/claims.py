"""What a report claims, number by number and sentence by sentence, held against the frames."""

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

from tests.recount.quoted import Who, misquoted
from tests.recount.reader import Frame, Recording
from tests.recount.recounts import (
    Counted,
    addresses_of,
    answered_for,
    claims,
    pings,
    questions,
    with_port,
)
from tests.recount.values import NONE, VALUES, modbus

CLOSE = 2e-6
"""Seconds: times are held as fractions here and as whole nanoseconds there."""
MOST_OWN = 2
"""Addresses that one device answers for, at most, where they are its own."""
MOST = 0.9
"""Share of answered requests from which on nobody says that they are not answered."""
DECADES = 1e9
"""Seconds between frames from which on the recorder's dates are nonsense, and not compared."""
Json = dict[str, Any]


def contradictions(recording: Recording, report: Json, text: str) -> Iterator[str]:
    """Everything in a report (its JSON, its full text) that the frames contradict."""
    counted = Counted(recording)
    yield from _recording(counted, report["recordings"][0])
    for one in report["stations"]:
        yield from _station(recording, one)
    for one in report["linkups"]:
        for problem in _linkup(counted, one):
            yield f"link-up {one['pc']['address']} - {one['controller']['address']}: {problem}"
    for one in report["findings"]:
        for problem in _finding(counted, report, one):
            yield f"{one['rule']}: {problem}"
    yield from _sentences(counted, report, text)


def _differ(what: str, told: object, found: object) -> Iterator[str]:
    if isinstance(told, float) and isinstance(found, float):
        same = abs(told - found) <= CLOSE or found > DECADES
    else:
        same = told == found
    if not same:
        yield f"{what}: told {told}, found {found}"


# --- the recording and its stations ---------------------------------------------------------------

REMARKS = {
    r"([\d,]+) cop(?:y|ies) of frames seen before.*": lambda frames: sum(f.copy for f in frames),
    r"Only the beginning was stored of ([\d,]+) frames?\.": lambda frames: sum(
        f.stored < f.wire for f in frames
    ),
    r"([\d,]+) frames? without a time.*": lambda frames: sum(not f.timed for f in frames),
}


def _recording(counted: Counted, told: Json) -> Iterator[str]:
    frames = counted.recording.all
    yield from _differ("frames", told["frames"], len(frames))
    last = max((one.at for one in frames), default=0.0)
    listened_on = told["format"] == "pcapng" and told["seconds"] > last
    if not listened_on:
        yield from _differ("seconds", float(told["seconds"]), last)
    for remark in told["remarks"]:
        for pattern, count in REMARKS.items():
            found = re.fullmatch(pattern, remark)
            if found:
                yield from _differ(remark, int(found[1].replace(",", "")), count(frames))


def _station(recording: Recording, told: Json) -> Iterator[str]:
    hardware = (told["hardware_addresses"] or [None])[0]
    if hardware is None:
        sent = [f for f in recording.frames if f.src in told["addresses"] and f.src_hw is None]
    else:
        sent = [one for one in recording.frames if one.src_hw == hardware]
    name = f"station {hardware or told['addresses']}"
    if hardware is not None or told["addresses"]:
        yield from _differ(f"{name} frames", told["frames"], len(sent))
        if sent:
            yield from _differ(f"{name} first", told["first_frame"], min(f.number for f in sent))
            yield from _differ(f"{name} last", told["last_frame"], max(f.number for f in sent))
    if hardware is not None:
        used = addresses_of(recording, hardware)
        yield from _differ(f"{name} addresses", sorted(told["addresses"]), sorted(used))
    yield from _role(recording, told, hardware, name)


def _role(recording: Recording, told: Json, hardware: str | None, name: str) -> Iterator[str]:
    """A router is handed packets for an address that it does not claim, or says what became of
    such a packet, or answers for the addresses of several (RFC 1027).
    """
    if told["role"] != "router" or hardware is None:
        return
    answered = answered_for(recording, hardware)
    own = {f.arp.sender for f in recording.frames if f.arp and f.arp.sender_hw == hardware}
    own |= {f.arp.target for f in recording.frames if f.arp and f.arp.target_hw == hardware}
    handed = any(
        f.dst_hw == hardware and f.dst and _is_host(f.dst) and f.dst not in own
        for f in recording.frames
    )
    said = any(f.src_hw == hardware and f.icmp and f.icmp.dst not in own for f in recording.frames)
    if not (handed or said or len(answered) > 1) or hardware == "00-00-00-00-00-00":
        yield f"{name} is called a router: it is handed no packet for others"


def _is_host(address: str) -> bool:
    first = int(address.split(".")[0])
    return 0 < first < 224 and first != 127


# --- a link-up ------------------------------------------------------------------------------------


def _linkup(counted: Counted, told: Json) -> Iterator[str]:
    recording, controller = counted.recording, told["controller"]
    address, port = controller["address"], controller["port"]
    pcs, pc_hw = _pc(counted, told)
    who = Who(frozenset(pcs), frozenset(pc_hw), address, {"port": port}, counted)
    yield from _hardware(recording, controller)
    yield from _tries(counted, told, who)
    yield from _timing(counted, told, who)
    for stage in told["stages"]:
        if stage["frame"] is not None and not 1 <= stage["frame"] <= len(recording.all):
            yield f"{stage['stage']}: there is no frame {stage['frame']}"
        elif stage["state"] == "passed" and stage["frame"] is not None:
            problem = _proof(recording[stage["frame"]], stage["because"], who)
            if problem:
                yield f"stage {stage['stage']}: {problem}"


def _pc(counted: Counted, told: Json) -> tuple[set[str], set[str]]:
    """Addresses and hardware addresses of a link-up's PC."""
    pc = told["pc"]
    hardware = {pc["hardware_address"]} - {None}
    own = {pc["address"]} - {None}
    for one in hardware:
        own |= addresses_of(counted.recording, one)
    return own - {told["controller"]["address"]} or own, hardware


def _hardware(recording: Recording, told: Json) -> Iterator[str]:
    """The controller's hardware address says that it has the address, or sends as it and as nobody
    else: what sends as several is a router's.
    """
    hardware, address = told["hardware_address"], told["address"]
    if hardware is None:
        return
    claimed = claims(recording, address)
    if claimed:
        if hardware not in claimed:
            yield f"{hardware} is called the controller's, and {sorted(claimed)} claimed {address}"
        answered = answered_for(recording, hardware)
        if len(answered) > MOST_OWN and not _asks_as(recording, hardware, address):
            yield f"{hardware} is called the controller's, and answers for {sorted(answered)}"
        return
    used = {one for one in addresses_of(recording, hardware) if (":" in one) == (":" in address)}
    if used != {address}:
        yield f"{hardware} is called the controller's, and is used by {sorted(used)}"


def _asks_as(recording: Recording, hardware: str, address: str) -> bool:
    """Whether a station asks or announces as an address, as only its owner does."""
    return any(
        f.arp and f.arp.operation == 1 and (f.arp.sender_hw, f.arp.sender) == (hardware, address)
        for f in recording.frames
    )


def _tries(counted: Counted, told: Json, who: Who) -> Iterator[str]:
    recording, address = counted.recording, told["controller"]["address"]
    times: Counter[tuple[str, int | None]] = Counter()
    begins: dict[tuple[str, int | None], float] = {}
    for one in told["timing"]["tries"]:
        key = one["what"], one["port"]
        times[key] += one["times"]
        begins[key] = min(begins.get(key, one["first"]), one["first"])
    for (what, port), count in times.items():
        if what == "arp":
            asked = questions(recording, who.own_hw, address)
            found, first = len(asked), min((one.at for one in asked), default=None)
        elif what == "ping":
            found, first = pings(recording, [told["pc"]["address"]], address)[0], None
        elif what == "tcp":
            ones = with_port(counted, who.own, who.own_hw, address, port or 0)
            found = len(ones)
            first = min((one.frames[0].at for one in ones), default=None)
        else:
            sent = [
                one
                for one in recording.frames
                if one.src in who.own and one.dst == address and one.udp and one.udp[1] == port
            ]
            found, first = len(sent), min((one.at for one in sent), default=None)
        yield from _differ(f"{what} {port} tries", count, found)
        if first is not None:
            yield from _differ(f"{what} {port} first", float(begins[what, port]), float(first))


def _timing(counted: Counted, told: Json, who: Who) -> Iterator[str]:
    """How many answers, and how long handshakes and pings took."""
    address, port = told["controller"]["address"], told["controller"]["port"]
    durations = {one["what"]: one for one in told["timing"]["durations"]}
    answered = pings(counted.recording, [told["pc"]["address"]], address)[1]
    yield from _differ("pings timed", durations.get("ping", {}).get("count", 0), answered)
    if told["controller"]["transport"] != "tcp":
        return
    ones = with_port(counted, who.own, who.own_hw, address, port)
    turns = sum(one.turns((address, port), counted.repeats) for one in ones)
    yield from _differ("answers", told["timing"]["answers"], turns)
    for stage in told["stages"]:
        told_there = re.search(r"(?:carries |^)([\d,]+) answers?", stage["because"])
        if told_there and int(told_there[1].replace(",", "")) > turns:
            yield f"stage {stage['stage']}: {stage['because']}, found {turns}"
    took = [one.handshake for one in ones if one.handshake is not None]
    spread = durations.get("handshake", {"count": 0})
    yield from _differ("handshakes timed", spread["count"], len(took))
    if took:
        yield from _differ("least handshake", float(spread["least"]), min(took))
        yield from _differ("most handshake", float(spread["most"]), max(took))


PROOFS: dict[str, Any] = {
    "another station is heard": lambda f, who: not who.is_pc(f),
    r"the PC uses (\S+) and is answered there": lambda f, who, ip: True,
    r"the PC uses (\S+)": lambda f, who, ip: ip in who.own,
    r"(\S+) answers for the controller's address": (
        lambda f, who, hw: f.arp and (f.arp.sender_hw, f.arp.sender) == (hw, who.controller)
    ),
    r"the router (\S+) takes the packets, and answers come back": (
        lambda f, who, hw: hw not in claims(who.recording, who.controller)
    ),
    r"the router (\S+) answers the PC, which hands it the packets": (
        lambda f, who, hw: hw not in claims(who.recording, who.controller)
    ),
    "a packet comes back from the controller": lambda f, who: f.src == who.controller,
    r"port (\d+) opens, after (.*)": lambda f, who, port, took: _opens(f, who, int(port), took),
    r"port (\d+) accepts, after (.*); the PC turns that down": (
        lambda f, who, port, took: _opens(f, who, int(port), took)
    ),
    r"port (\d+) was open when the recording began": (
        lambda f, who, port: (
            f.tcp is not None
            and int(port) in (f.tcp.sport, f.tcp.dport)
            and not any(one.tcp and one.tcp.calls for one in who.session(f))
        )
    ),
    r"the PC takes the controller's call to its port (\d+)": (
        lambda f, who, port: f.tcp is not None and int(port) in (f.tcp.sport, f.tcp.dport)
    ),
    r"an answer comes from UDP port (\d+)": (
        lambda f, who, port: f.src == who.controller and f.udp and f.udp[0] == int(port)
    ),
    r"the address server gives it (\S+)": lambda f, who, ip: f.dhcp,
    r"it carries ([\d,]+) answers? and nobody breaks it": lambda f, who, n: True,
    r"([\d,]+) answers?, (?:typically )?after (?!times)(.*)": (
        lambda f, who, n, took: f.src == who.controller and f.tcp is not None and f.tcp.size
    ),
    r"([\d,]+) answers?, after times that cannot be told": lambda f, who, n: True,
    "the controller sends by itself, before any request": (
        lambda f, who: f.src == who.controller and f.tcp is not None and f.tcp.size
    ),
    r"the controller asks, and the PC sends ([\d,]+) answers?": lambda f, who, n: who.is_pc(f),
}


def _opens(frame: Frame, who: Who, port: int, took: str) -> bool:
    """Accepted from that port, or that acceptance confirmed, as long after the first SYN of that
    session as is told.
    """
    if frame.tcp is None or port not in (frame.tcp.sport, frame.tcp.dport):
        return False
    accepted = [one for one in who.session(frame) if one.tcp and one.tcp.accepts]
    return bool(accepted) and frame.number >= accepted[0].number and _took(accepted[0], who, took)


def _took(frame: Frame, who: Who, took: str) -> bool:
    calls = [one for one in who.session(frame) if one.tcp and one.tcp.calls]
    return bool(calls) and is_about(took, frame.at - calls[0].at)


def _proof(frame: Frame, because: str, who: Who) -> str | None:
    for pattern, check in PROOFS.items():
        found = re.fullmatch(pattern, because)
        if found:
            return None if check(frame, who, *found.groups()) else f"is not so: {because}"
    return None


UNITS = {"ms": 0.001, "s": 1, "min": 60, "h": 3600}


def is_about(words: str, seconds: float) -> bool:
    """Whether a duration in words is that many seconds, as it was rounded."""
    if words == "less than 1 ms":
        return seconds < 0.0005 + CLOSE
    parts = re.findall(r"([\d.]+) (ms|s|min|h)\b", words)
    told = sum(float(number) * UNITS[unit] for number, unit in parts)
    number, unit = parts[-1]
    step = UNITS[unit] * (0.1 if "." in number else 1)
    if unit in ("min", "h"):  # a rest of nothing is left out
        step = 1 if told < UNITS["h"] else UNITS["min"]
    return abs(told - seconds) <= step * 0.51


# --- findings -------------------------------------------------------------------------------------


def who_is(counted: Counted, report: Json, finding: Json) -> Who:
    """Whom a finding is about: its PC by all addresses that its hardware address uses."""
    address = finding["controller"] or finding["values"].get("controller")
    linkups = [one for one in report["linkups"] if one["controller"]["address"] == address]
    linkups = [one for one in linkups if one["pc"]["address"] == finding["pc"]] or linkups
    own, hardware = set(), set()
    for one in linkups or report["linkups"]:
        addresses, hardwares = _pc(counted, one)
        own |= addresses
        hardware |= hardwares
    for one in report["stations"]:
        if one["role"] == "pc":
            hardware |= set(one["hardware_addresses"])
            own |= set(one["addresses"])
    own |= {finding["pc"]} - {None}
    return Who(frozenset(own), frozenset(hardware), address, finding["values"], counted)


def _finding(counted: Counted, report: Json, finding: Json) -> Iterator[str]:
    recording, who = counted.recording, who_is(counted, report, finding)
    for one in finding["evidence"]:
        if not 1 <= one["frame"] <= len(recording.all):
            yield f"there is no frame {one['frame']}"
            continue
        frame = recording[one["frame"]]
        yield from _differ(f"frame {frame.number} at", float(one["seconds"]), frame.at)
        problem = misquoted(frame, one["text"], who)
        if problem:
            yield f"frame {frame.number} {problem}"
    for name, recount in VALUES.get(finding["rule"], {}).items():
        if finding["values"].get(name):  # what is 0 is not said
            yield from _differ(name, finding["values"][name], recount(who))
    if finding["rule"] in NONE and NONE[finding["rule"]](who):
        yield f"says that there are no such frames, found {NONE[finding['rule']](who)}"
    if finding["rule"] == "joined-requests" and finding["values"]["protocol"] == "Modbus/TCP":
        asked, told = modbus(who)
        if told > MOST * asked:
            yield f"says that requests are not answered: {told} of {asked} were"


def _sentences(counted: Counted, report: Json, text: str) -> Iterator[str]:
    flat = " ".join(text.split())
    equal = re.search(r"These fit equally well: (.*?)\. Say so", flat)
    if equal and len(re.split(r", | and ", equal[1])) < 2:
        yield f"fits equally well with one candidate: {equal[1]}"
    for port, count in re.findall(r"Calls TCP port (\d+) (once|twice|[\d,]+ times)", flat):
        number = {"once": 1, "twice": 2}.get(count) or int(count.split()[0].replace(",", ""))
        called = [one for one in counted.sessions if one.calls and one.server[1] == int(port)]
        if len(called) < number:
            yield f"calls TCP port {port} {count}: found {len(called)} with a SYN"
