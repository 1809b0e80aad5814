"""Whether another recording is needed, and how to make it."""

from analyzer.cautions import COMMANDS
from analyzer.diagnosis import CANNOT_TELL, Diagnosis, Level, Step

TROUBLES = {
    "nothing-recorded", "no-attempt", "started-late", "stopped-early", "damaged-file",
    "frames-cut-short",
    "no-hardware-addresses", "filtered-recording", "wrong-adapter", "recorder-dropped",
    "third-party-recording", "clock-jump",
}  # fmt: skip
"""Findings that call for a better recording."""
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


def calls_for_another(diagnosis: Diagnosis) -> bool:
    """Whether a better recording would tell more."""
    grave = [one.rule for one in diagnosis.findings if one.level is not Level.NOTE]
    return diagnosis.status == CANNOT_TELL or any(rule in TROUBLES for rule in grave)
