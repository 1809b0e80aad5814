"""Recordings made by others, with figures counted by others: ours have to be the same.

They lie beside the checkout and are no part of the project; without them these tests are skipped.
The definitions of the figures are in the README beside them.
"""

import json
from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from analyzer.diagnosis import Diagnosis
from analyzer.facts import CLIENT, SERVER, Facts, Session, gather
from analyzer.frames import AS_ICMP, Frames, Tcp
from analyzer.inputs.records import Damage
from tests import raw
from tests.support import diagnosed

FOLDER = Path(__file__).parents[2] / "shared" / "recordings"
ENTRIES: list[dict[str, Any]] = (
    json.loads((FOLDER / "truth.json").read_text("utf-8")) if FOLDER.is_dir() else []
)
pytestmark = pytest.mark.skipif(not ENTRIES, reason=f"{FOLDER} is not beside the checkout")

OTHER_FORMATS = {
    "r030.pcap": "is text",  # a pointer to a file kept elsewhere
    "r031.pcapng": "is text",
}
NOT_COUNTED = {"r121.snoop"}  # truth.json has no figures for it
DAMAGED = {  # file: (octet where the damage begins, whole frames before it)
    "r099.pcap": (240, 1),
    "r112.ntar": (96, 0),  # truth.json counts the frame inside the damaged block
    "r113.ntar": (96, 0),
}

# What truth.json counts and we do not, file by file. A file that agrees does not stay in here.
COPIES = "frames are in the file twice; the facts count a packet once"
PPPOE = "its packets are inside PPPoE, which is not looked into"
IN_DAMAGE = "its only frame is inside the damaged block"
EXCLUDED: dict[str, dict[str, str]] = {
    "packets": dict.fromkeys(["r112.ntar", "r113.ntar"], IN_DAMAGE),
    "first_ts": {"r112.ntar": IN_DAMAGE},
    "duration_s": {
        "r112.ntar": IN_DAMAGE,
        "r157.pcapng": "lasts 585,000 years: times are held inside what 64 bits show",
    },
    "ip_packets": {
        "r116.pcap": "6 octets of an IPv4 header: the kind of frame is counted, the packet is not",
        "r129.pcap": PPPOE,
        "r153.pcap": PPPOE,
    }
    | dict.fromkeys(
        [
            "r002.pcap",
            "r027.pcapng",
            "r028.pcapng",
            "r041.pcap",
            "r048.pcapng",
            "r054.pcapng",
            "r067.pcapng",
            "r089.pcapng",
            "r142.pcap",
            "r158.pcap",
        ],
        COPIES,
    ),
    "arp": {"r028.pcapng": COPIES},
    "ip_seen_from_several_macs": {"r136.pcap": "0.0.0.0 is nobody's address"},
    "vlans": dict.fromkeys(
        ["r032.pcap", "r123.pcap", "r130.pcapng", "r153.pcap"], "only the outer tag is kept"
    ),
    "icmp_errors": {
        "r127.pcap": "4/0 is out of use (RFC 6633)",
        "r165.pcap": "its messages quote no IPv4 packet",
    },
    "dhcp": {"r158.pcap": COPIES},
    "tcp": {
        "r153.pcap": PPPOE,
        "r158.pcap": "of two of its sessions only one direction is in it",
        "r162.pcap": "only one direction is in it: its SYN was answered, as the client goes on",
    },
    "tcp_flows": {
        "r142.pcap": "its TCP header claims more octets than its packet has",
        "r153.pcap": PPPOE,
    },
    "tcp_rst_frames": {"r054.pcapng": COPIES, "r153.pcap": PPPOE},
}


@cache
def frames_of(name: str) -> list[Frames]:
    return raw.decoded((FOLDER / name).read_bytes())


@cache
def facts_of(name: str) -> Facts:
    return gather(raw.opened((FOLDER / name).read_bytes()))


# --- the figures ----------------------------------------------------------------------------------


def packets(name: str) -> int:
    return facts_of(name).coverage.frames


def first_ts(name: str) -> float | None:
    """The earliest frame, which is not always the first; None where no frame carries a time."""
    if facts_of(name).untimed == packets(name):
        return None
    return min(int(part.time.min()) for part in frames_of(name)) / raw.SECOND


def duration(name: str) -> float | None:
    if facts_of(name).untimed == packets(name):
        return None
    times = [int(time) for part in frames_of(name) for time in (part.time.min(), part.time.max())]
    return (max(times) - min(times)) / raw.SECOND


def ip_packets(name: str) -> int:
    kinds = facts_of(name).coverage.kinds
    return kinds.get(0x0800, 0) + kinds.get(0x86DD, 0)


def arp(name: str) -> dict[str, int]:
    """Requests, probes and announcements from the facts; replies are the rest."""
    found = facts_of(name).arp
    counts = {
        "frames": found.frames,
        "requests": sum(one.asked.count for one in found.questions.values()),
        "probes": sum(series.count for series in found.probes.values()),
        "announcements": sum(series.count for series in found.announcements.values()),
    }
    operations = Counter(
        int(operation)
        for part in frames_of(name)
        for operation, own in zip(part.arp.operation, part.arp.spa == part.arp.tpa, strict=True)
        if not own
    )
    return present(counts | {"replies": operations[2]})


def unanswered_requests(name: str) -> int:
    """Requests that no reply follows within 3 s, counted in the frame table."""
    requests, replies = [], []
    for part in frames_of(name):
        columns = (part.time[part.arp.row], part.arp.operation, part.arp.spa, part.arp.tpa)
        for time, operation, spa, tpa in zip(*(c.tolist() for c in columns), strict=True):
            if operation == 2:
                replies.append((time, tpa, spa))
            elif operation == 1 and spa not in (0, tpa):
                requests.append((time, spa, tpa))
    return sum(
        not any(
            pair == answered and 0 <= later - time <= 3 * raw.SECOND for later, *answered in replies
        )
        for time, *pair in requests
    )


def unanswered_pairs(name: str) -> set[str]:
    """Pairs none of whose requests was answered, from the facts."""
    questions = facts_of(name).arp.questions.values()
    answered = {(one.asker_ip, one.wanted) for one in questions if one.answered}
    return {
        f"{one.asker_ip}->{one.wanted}"
        for one in questions
        if (one.asker_ip, one.wanted) not in answered
    }


def several_hardware_addresses(name: str) -> dict[str, list[str]]:
    """By address; of many the first six, as truth.json names no more."""
    owners: dict[str, set[str]] = {}
    facts = facts_of(name)
    for path in facts.paths:
        if path.src is not None and path.src_ip is not None:
            owners.setdefault(str(path.src_ip), set()).add(str(path.src))
    for address, claims in facts.arp.claims.items():
        owners.setdefault(str(address), set()).update(map(str, claims.counts))
    return {
        address: sorted(one.lower().replace("-", ":") for one in hardware)[:6]
        for address, hardware in owners.items()
        if len(hardware) > 1
    }


def vlans(name: str) -> dict[str, int]:
    return dict(Counter(str(tag) for part in frames_of(name) for tag in part.tag if tag >= 0))


def icmp_errors(name: str) -> dict[str, int]:
    """By what ICMP calls them; those of ICMPv6 are read as such."""
    errors = facts_of(name).icmp.errors
    said = (f"v{6 if one.sender.is_ipv6 else 4} {one.type}/{one.code}" for one in errors)
    return dict(Counter(said))


def as_icmp(errors: dict[str, int]) -> dict[str, int]:
    """The figures of truth.json by what ICMP calls them, without what it has no word for."""
    counts = Counter[str]()
    for key, count in errors.items():
        kind, code = map(int, key[3:].split("/"))
        said = (kind, code) if key.startswith("v4") else AS_ICMP.get((kind, code))
        if said is not None:
            counts["{} {}/{}".format(key[:2], *said)] += count
    return dict(counts)


DHCP = ("bootp", "discover", "offer", "request", "decline", "ack", "nak", "release", "inform")


def dhcp(name: str) -> dict[str, int]:
    return dict(Counter(DHCP[message.type] for message in facts_of(name).dhcp))


def tcp(name: str) -> dict[str, int]:
    attempts = [one for one in facts_of(name).sessions if one.syns.count]
    established = [one for one in attempts if one.completed is not None]
    always = {
        "attempts": len(attempts),
        "syn_frames": sum(one.syns.count for one in attempts),
    }
    counted = {
        "syn_synack": sum(one.syn_ack is not None for one in attempts),
        "syn_rst": sum(one.refused is not None for one in attempts),
        "syn_unanswered": sum(one.is_silent for one in attempts),
        "established": len(established),
        "left_open": sum(not one.ends for one in established),
        "closed_fin": sum(bool(one.ends) and not resets(one) for one in established),
        "rst_client": sum(CLIENT in resets(one) for one in established),
        "rst_server": sum(SERVER in resets(one) for one in established),
        "rst_after_data": sum(
            any(end.reset and end.since_data is not None for end in one.ends) for one in established
        ),
        "server_silent": sum(
            bool(one.from_client.octets) and not one.from_server.octets for one in established
        ),
        "no_data": sum(not any(side.octets for side in one.sides) for one in established),
    }
    return always | present(counted)


def resets(session: Session) -> set[int]:
    return {end.side for end in session.ends if end.reset}


def tcp_flows(name: str) -> int:
    return len({frozenset((one.client, one.server)) for one in facts_of(name).sessions})


def tcp_rst_frames(name: str) -> int:
    return sum(int((part.tcp.flags & Tcp.RST != 0).sum()) for part in frames_of(name))


def present(counts: dict[str, int]) -> dict[str, int]:
    """Without the zeros, as truth.json is written."""
    return {key: count for key, count in counts.items() if count}


Figure = Callable[[str], Any]
FIGURES: dict[str, tuple[Figure, Callable[[dict[str, Any]], Any]]] = {
    "packets": (packets, lambda entry: entry["packets"]),
    "first_ts": (first_ts, lambda entry: entry["first_ts"]),
    "duration_s": (duration, lambda entry: entry["duration_s"]),
    "ip_packets": (ip_packets, lambda entry: entry["truth"].get("ip_packets", 0)),
    "arp": (arp, lambda entry: entry["truth"].get("arp", {})),
    "arp_requests_unanswered": (
        unanswered_requests,
        lambda entry: entry["truth"].get("arp_requests_unanswered", 0),
    ),
    "ip_seen_from_several_macs": (
        several_hardware_addresses,
        lambda entry: entry["truth"].get("ip_seen_from_several_macs", {}),
    ),
    "vlans": (vlans, lambda entry: entry["truth"].get("vlans", {})),
    "icmp_errors": (
        icmp_errors,
        lambda entry: as_icmp(entry["truth"].get("icmp_errors", {})),
    ),
    "dhcp": (dhcp, lambda entry: entry["truth"].get("dhcp", {})),
    "tcp": (
        tcp,
        lambda entry: entry["truth"].get("tcp", {"attempts": 0, "syn_frames": 0}),
    ),
    "tcp_flows": (tcp_flows, lambda entry: entry["truth"].get("tcp_flows", 0)),
    "tcp_rst_frames": (tcp_rst_frames, lambda entry: entry["truth"].get("tcp_rst_frames", 0)),
}

READABLE = [entry for entry in ENTRIES if entry["file"] not in {*OTHER_FORMATS, *NOT_COUNTED}]
BY_NAME = pytest.mark.parametrize("entry", READABLE, ids=lambda entry: entry["file"])


@pytest.mark.parametrize("figure", FIGURES)
def test_figures_are_those_of_others(figure: str) -> None:
    """Over all files at once, so that all that differs is seen together."""
    ours, theirs = FIGURES[figure]
    excluded = EXCLUDED.get(figure, {})
    differing = {}
    for entry in READABLE:
        mine, other = ours(entry["file"]), theirs(entry)
        same = mine == pytest.approx(other, abs=2e-6) if isinstance(other, float) else mine == other
        if not same:
            differing[entry["file"]] = (mine, other)
    assert {name: pair for name, pair in differing.items() if name not in excluded} == {}
    assert set(excluded) == set(differing), "a file that agrees is to be taken out of EXCLUDED"


@BY_NAME
def test_unanswered_pairs_are_those_of_others(entry: dict[str, Any]) -> None:
    """truth.json names a pair where one request of several found no answer, we where none did."""
    theirs = entry["truth"].get("arp_unanswered_pairs", {})
    ours = unanswered_pairs(entry["file"])
    assert ours <= set(theirs)
    asked = Counter(
        {
            f"{one.asker_ip}->{one.wanted}": 0
            for one in facts_of(entry["file"]).arp.questions.values()
        }
    )
    for one in facts_of(entry["file"]).arp.questions.values():
        asked[f"{one.asker_ip}->{one.wanted}"] += one.asked.count
    assert {pair for pair, count in theirs.items() if count == asked[pair]} == ours


@BY_NAME
def test_damage_is_where_others_found_it(entry: dict[str, Any]) -> None:
    damage = facts_of(entry["file"]).damage
    assert (damage is None) == (entry["file"] not in DAMAGED)
    assert (damage is None) == (entry["container"]["defect"] is None)
    if damage is not None:
        assert isinstance(damage, Damage)
        assert (damage.octet, damage.after_frame) == DAMAGED[entry["file"]]


@BY_NAME
def test_layout_is_what_others_read(entry: dict[str, Any]) -> None:
    facts, container = facts_of(entry["file"]), entry["container"]
    assert facts.format == container["format"]
    assert facts.sha256 == entry["sha256"]
    links = sorted({one.link for one in facts.interfaces})
    assert links == container["linktypes"]
    if facts.format == "pcapng":
        assert len(facts.interfaces) == container["n_interfaces"]


@pytest.mark.parametrize(("name", "what"), OTHER_FORMATS.items())
def test_other_formats_are_refused(name: str, what: str) -> None:
    assert raw.refusal((FOLDER / name).read_bytes()).startswith(what)


@BY_NAME
def test_every_recording_is_diagnosed(entry: dict[str, Any]) -> None:
    diagnosis = diagnosed((FOLDER / entry["file"]).read_bytes())
    assert isinstance(diagnosis, Diagnosis)
    assert diagnosis.status in (0, 1, 3)
