"""The controller answers from another address or port than the one that the PC asked.

A program that has bound its socket to the asked one never gets such an answer. Shown where the PC's
system turns the answer down and the program asks again from the same socket; it fits where answers
were turned down that each came to a socket of its own. Only a note, which fits, where nothing is
turned down: a program that takes datagrams of anybody gets the answer. Quiet where the asked
address answers from another port and the PC takes that, which is by design; where the PC asked
others from the same socket too, as in a search; for datagrams of other stations, or that come late;
and where the link-up works.
"""

from collections.abc import Iterator

from analyzer.findings import Certainty, Level, Rule, Sighting, Step
from analyzer.linkup import LinkUp, elsewhere
from rules import cautions

REPEATED = 2
"""Answers turned down that are no chance: a single late one is met by one message."""
OTHER_ADDRESS, OTHER_PORT = "other address", "other port"
"""Names of these causes in the rule."""
OTHER_DEVICE = "another device"
"""Name of this in what would look the same."""


def find(linkup: LinkUp) -> Iterator[Sighting]:
    if linkup.target.transport != "udp" or linkup.works:
        return
    came = [one for one in elsewhere(linkup) if one.asked.server[1] == linkup.target.port]
    discarded = [one for one in came if one.is_discarded]
    refused = [message for one in discarded for message in one.refused]
    asks_on = any(one.asks_on for one in discarded)
    if not came or (discarded and not asks_on and len(refused) < REPEATED):
        return
    found = discarded or came
    address, port = found[0].back.client
    same_address = found[0].same_address
    senders = {one.src for one in linkup.facts.index.packets_from[address]}
    hardware = next((one for one in linkup.sent_to if one in senders), None)
    is_own = hardware is not None and linkup.router is None and not same_address
    yield Sighting(
        values={
            "answerer": address,
            "answering_port": port,
            "hardware": hardware,
            "is_own": is_own,
            "unsure": not is_own,
            "asked": sum(one.asked.asked.count for one in found),
            "answers": sum(one.back.asked.count for one in found),
            "refusals": len(refused),
        },
        frames={
            "asked": [one.asked.first for one in found],
            "answer": [one.back.first for one in found],
            "refusal": [message.moment for message in refused],
        },
        level=Level.FAULT if refused else Level.NOTE,
        certainty=Certainty.SHOWN if asks_on else Certainty.FITS,
        likeliest=OTHER_PORT if same_address else OTHER_ADDRESS,
        ruled_out=[
            OTHER_ADDRESS if same_address else OTHER_PORT,
            *([OTHER_DEVICE] if is_own else []),
        ],
    )


RULE = Rule(
    slug="answer-from-elsewhere",
    stage="port",
    title="The answers come from {answerer}, UDP port {answering_port}, and not from where the "
    "PC asked",
    what_happened="{answers:count datagram} came back to the socket that had asked, but from UDP "
    "port {answering_port} of {answerer}{refusals:if, and the PC turned {refusals} down}. The PC "
    "had sent {asked:count datagram} to UDP port {port} of {controller}.{is_own:if Both addresses "
    "have the hardware address {hardware}.}",
    means="The question arrives, and the controller answers it. Most programs take an answer only "
    "from the address and port that they asked.",
    likely_causes={
        OTHER_ADDRESS: "The controller has several addresses, and answers from another one than "
        "the one asked.",
        OTHER_PORT: "The controller's service answers from a port of its own, and the program on "
        "the PC "
        "takes answers only from the port that it asked.",
        "address translation": "A device on the way changes the sender of the answers, as a router "
        "with address "
        "translation does.",
    },
    what_to_do=(
        Step(
            "{unsure:if Compare {answerer}, and its hardware address, with the controller's label: "
            "is it this controller that answers?}{is_own:if Look in the controller's settings for "
            "{answerer}: its hardware address is that of {controller}, too.}"
        ),
        Step(
            "Look in the program's settings whether it may take answers from another "
            "address or port."
        ),
        Step(
            "If the label fits, enter {answerer} and UDP port {answering_port} as the "
            "controller's in the program, and connect again.",
            cautions.COMMANDS,
        ),
        Step(
            "Have the controller's settings send its answers from {controller}, UDP port {port}.",
            cautions.ADDRESS_CHANGE,
        ),
    ),
    evidence={
        "asked": "the PC asks UDP port {port} of {controller}{again}",
        "answer": "{answerer} answers from UDP port {answering_port} to the port that asked{again}",
        "refusal": "the PC says that nobody takes that answer{again}",
    },
    also_fits={
        OTHER_DEVICE: "Another device that answers in the controller's place, such as a second "
        "one of its kind.",
        "takes any": "A program that takes datagrams of anybody on its port, where the PC turns "
        "none down.",
        "expects none": "A program that asks, expects no answer and gives its port up at once.",
    },
    looks_alike=(
        "A service that answers from a new port by design, where the PC takes the answers.",
        "A search that many stations answer, each from its own address.",
        "Datagrams of other stations to the port that the PC asks from.",
        "A late answer for a port that the PC's program has given up in the meantime.",
    ),
    confirm="If the label fits, ask UDP port {answering_port} of {answerer} in place of port "
    "{port} of {controller}, by reading only. An answer that the program takes shows that it was "
    "the sender.",
    confirm_caution=cautions.COMMANDS,
    explains=("udp-port-closed",),
    sources=(
        "RFC 1122 section 4.1.3.5 (a UDP answer comes from the address that was asked)",
        "RFC 1350 section 4 (a service that answers from a new port)",
    ),
    find=find,
)
