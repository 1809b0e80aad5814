"""whynolink demo: a diagnosis without a recording of one's own."""

from io import BytesIO
from pkgutil import get_data

import click

from analyzer.cli.writing import write
from analyzer.diagnosis import diagnose
from analyzer.inputs import open_recording
from analyzer.reports.document import report
from analyzer.reports.to_text import to_text
from rules import all_rules


@click.command(name="demo")
def command() -> int:
    """Diagnose a recording that comes along, made in an invented plant."""
    octets = get_data("analyzer", "demo.pcap") or b""
    recording = open_recording(BytesIO(octets), "demo.pcap (an invented plant)")
    diagnosis = diagnose(recording, all_rules())
    write(to_text(report([diagnosis])), None)
    return 0
