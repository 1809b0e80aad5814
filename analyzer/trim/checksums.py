"""Internet checksums of packets that were changed: as right, wrong or unfinished as before.

Sums are one's complement sums of 16-bit words (RFC 1071): remainders modulo 65535. A changed word
changes the checksum by as much (RFC 1624), so that octets which were not stored do not matter.
"""

WORD = 0xFFFF


def total(octets: bytes | bytearray) -> int:
    """The sum of the 16-bit words; an odd last octet is the high half of one."""
    return int.from_bytes(octets + bytes(len(octets) & 1)) % WORD


def mended(
    field: int, before: int, after: int, pseudo_before: int = 0, pseudo_after: int = 0
) -> int:
    """The checksum field of a changed packet.

    before, after: the sums of all that it covers, without the field itself; pseudo: those of the
    pseudo-header alone, which is all that is in the field where the adapter is to finish it.
    """
    right = (field + before) % WORD == 0
    if not right and pseudo_before and field % WORD == pseudo_before:
        return pseudo_after
    if not right and field == 0:
        return 0
    return (field + before - after) % WORD
