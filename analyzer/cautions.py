"""Cautions that rules and plans print: machines move and people get hurt."""

MACHINE = (
    "Before this step make the machine safe: guards closed, emergency stop within reach, "
    "locked out by those authorised. Ask whoever is responsible. Follow local codes and the "
    "maker's manual."
)
RESTART = (
    "Restarting a controller stops its machine and may start parts of it again. Make the machine "
    "safe first, with lock-out by those authorised, and ask whoever is responsible."
)
ADDRESS_CHANGE = (
    "Changing an address on a live network can cut off another device or restart a controller. "
    "Ask whoever is responsible for the network and the machine first. Follow the maker's manual."
)
OTHERS_SESSION = (
    "Somebody's session may be the operator panel or a link that keeps the machine safe. "
    "Closing it can stop the machine: make it safe first and ask whoever is responsible."
)
FIREWALL = (
    "A firewall protects the PC and the machine behind it. Have it opened only for this program, "
    "adapter and port, by whoever is responsible, and never leave it off."
)
UNPLUG = (
    "Unplugging a network cable can stop drives and I/O. Make the machine safe first: guards, "
    "emergency stop, lock-out by those authorised. Ask whoever is responsible."
)
FIXED_ENTRY = (
    "An entry by hand stays when the unit is replaced, and then leads to nobody or to the wrong "
    "unit. Note it down and remove it then."
)
SESSIONS_END = (
    "Taking it back ends every session that goes over it. Make sure that no machine depends on one "
    "of them, and ask whoever is responsible."
)
LINK_DROPS = (
    "This drops the link for a moment, and every session over it. Make sure that no machine "
    "depends on one of them, and ask whoever is responsible."
)
PROGRAM = (
    "A program that gives commands can stop or move the machine when it is stopped or started. "
    "Make the machine safe first and ask whoever is responsible."
)
CLOCK = f"A new time can start or skip what the controller does by the clock. {MACHINE}"
COMMANDS = f"From this step on a program that runs can command the machine at once. {MACHINE}"
WHICH_DEVICE = "Send no commands until it is clear which device answers."
