"""whynolink demo: a diagnosis without a recording of one's own."""

from datetime import tzinfo
from io import BytesIO
from pkgutil import get_data

import click

from analyzer.cli.options import by_example, utc_option
from analyzer.cli.writing import write
from analyzer.diagnosis import diagnose
from analyzer.inputs import open_recording
from analyzer.reports.document.answer import in_full, in_short
from analyzer.reports.to_text import to_text
from rules import all_rules


@click.command(
    name="demo",
    short_help="Diagnose a recording of an invented plant.",
    epilog=by_example(
        "whynolink demo",
        "whynolink demo --all",
    ),
)
@click.option("--all", "everything", is_flag=True, help="Tell everything, with the proof.")
@utc_option
def command(everything: bool, zone: tzinfo | None) -> int:
    """Diagnose a recording that comes along, made in an invented plant."""
    octets = get_data("analyzer", "demo.pcap") or b""
    recording = open_recording(BytesIO(octets), "demo.pcap (an invented plant)")
    diagnosis = diagnose(recording, all_rules())
    told = in_full([diagnosis], zone) if everything else in_short([diagnosis], zone=zone)
    write(to_text(told), None)
    return 0
