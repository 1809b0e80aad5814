"""What a mail's own words name: addresses, ports, masks. Offers, never facts: nothing that is
judged rests on them.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import AddressValueError, IPv4Address

from analyzer.diagnosis import Diagnosis

FOUR = re.compile(r"(?<![\w.:-])(\d{1,3}(?:\.\d{1,3}){3})(?::(\d{2,5}))?(?![\w:-]|\.\d)", re.ASCII)
SIX = re.compile(r"(?<![\w:-])[0-9a-f]{2}(?:[-:][0-9a-f]{2}){5}(?![\w:-])", re.I | re.ASCII)
PORT = re.compile(r"(?<!\w)(tcp|udp|port)\b[ /:#=-]{0,3}(?:port[ :#=-]{0,3})?(\d{2,5})(?![\w.])",
                  re.I | re.ASCII)  # fmt: skip
SOCKETS = 64
"""The highest number of a switch's socket (common practice, no source): "port 12" may be one."""
MOST = 12
"""Of each kind; a longer list is no list of offers."""


@dataclass(frozen=True, slots=True)
class Offers:
    """What words name, each once, in their order. addresses: with or without a port."""

    addresses: tuple[str, ...] = ()
    masks: tuple[str, ...] = ()
    hardware: tuple[str, ...] = ()
    ports: tuple[str, ...] = ()

    def unseen(self, diagnoses: Sequence[Diagnosis]) -> list[str]:
        """The addresses that occur in none of the recordings."""
        seen = {str(one) for diagnosis in diagnoses for one in diagnosis.facts.addresses}
        seen |= {str(one.hardware) for diagnosis in diagnoses for one in diagnosis.facts.stations}
        named = (*(one.partition(":")[0] for one in self.addresses), *self.hardware)
        return [one for one in dict.fromkeys(named) if one not in seen]


def offers(words: str) -> Offers:
    """What these words name."""
    addresses: list[str] = []
    masks: list[str] = []
    for four, port in FOUR.findall(words):
        try:
            value = int(IPv4Address(four))
        except AddressValueError:
            continue
        if _is_mask(value):
            masks.append(four)
        elif value >> 24:
            addresses.append(f"{four}:{port}" if port and _is_port(port) else four)
    hardware = [one.upper().replace(":", "-") for one in SIX.findall(words)]
    ports = [
        number
        for kind, number in PORT.findall(words)
        if _is_port(number) and (kind.lower() != "port" or int(number) > SOCKETS)
    ]
    return Offers(
        *(tuple(dict.fromkeys(one))[:MOST] for one in (addresses, masks, hardware, ports))
    )


def _is_port(text: str) -> bool:
    return 0 < int(text) < 1 << 16


def _is_mask(value: int) -> bool:
    """Whether ones stand before zeros, and enough of them that it is no address."""
    inverse = value ^ 0xFFFFFFFF
    return value >> 24 == 0xFF and inverse & (inverse + 1) == 0
