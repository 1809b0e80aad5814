"""The cautions that rules print."""

from analyzer.cautions import (
    ADDRESS_CHANGE,
    CLOCK,
    COMMANDS,
    ELECTRICAL,
    FIREWALL,
    FIXED_ENTRY,
    LINK_DROPS,
    MACHINE,
    OTHERS_SESSION,
    PROGRAM,
    RESTART,
    UNPLUG,
    WHICH_DEVICE,
    notice,
    warning,
)

__all__ = [
    "ADDRESS_CHANGE",
    "CLOCK",
    "COMMANDS",
    "ELECTRICAL",
    "FIREWALL",
    "FIXED_ENTRY",
    "LINK_DROPS",
    "MACHINE",
    "OTHERS_SESSION",
    "PROGRAM",
    "RESTART",
    "UNPLUG",
    "WHICH_DEVICE",
    "notice",
    "warning",
]
