"""whynolink demo: a diagnosis without a recording of one's own."""

from importlib.resources import files
from io import BytesIO

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
    octets = BytesIO((files("analyzer") / "demo.pcap").read_bytes())
    recording = open_recording(octets, "demo.pcap (an invented plant)")
    diagnosis = diagnose(recording, all_rules())
    write(to_text(report([diagnosis])), None)
    return 0
