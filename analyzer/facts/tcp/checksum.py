"""The checksum of the internet protocols (RFC 1071)."""

from analyzer.facts.values import Address


def checksum_is_right(segment: bytes, src: Address, dst: Address) -> bool:
    """Whether a TCP segment's checksum fits: RFC 1071 over pseudo-header and segment
    (RFC 9293 3.1; RFC 8200 8.1, of which zeros that add nothing are left out).
    """
    pseudo = src.packed + dst.packed + b"\0\6" + len(segment).to_bytes(2)
    return internet_checksum(pseudo + segment) == 0


def internet_checksum(octets: bytes) -> int:
    """One's complement of the one's complement sum of 16-bit words (RFC 1071 section 1)."""
    octets += b"\0" * (len(octets) & 1)
    total = sum(int.from_bytes(octets[i : i + 2]) for i in range(0, len(octets), 2))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
