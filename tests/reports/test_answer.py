"""The answer on one screen, and again at the end of everything."""

import re
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from pathlib import Path

import pytest

import analyzer
from analyzer.diagnosis import Moment
from analyzer.reports.document.answer import AGAIN, MATTERS_MOST, Answer, in_full, in_short
from analyzer.reports.document.bounds import MOST_LINES, MOST_ROWS
from analyzer.reports.document.page import page
from analyzer.reports.document.recording import Clock
from analyzer.reports.to_html import to_html
from analyzer.reports.to_text import to_text
from tests.reports.test_to_text import ALL_TEN, fits, ten_controllers
from tests.support import diagnosed

ROOT = Path(__file__).parents[2]
RECORDINGS = sorted(
    path
    for folder in ("captures", "tests/lab/kept")
    for path in (ROOT / folder).iterdir()
    if ".pcap" in path.name
)
VERDICTS = ("Connecting stopped at the ", "The connection ", "This recording cannot tell ")
CET = timezone(timedelta(hours=1))


SAFE_FIRST = "WARNING: Make the machine safe first."


def flat(text: str) -> str:
    """A text without its line ends."""
    return " ".join(text.split())


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.name)
@pytest.mark.parametrize("zone", [UTC, CET], ids=str)
def test_the_answer_fits_a_screen(path: Path, zone: tzinfo) -> None:
    """Verdict, certainty and a first step in 24 lines for one connection, and again at the end of
    everything.
    """
    diagnosis = analyzer.diagnose(path)
    text, full = to_text(in_short([diagnosis], zone=zone)), to_text(in_full([diagnosis], zone))
    assert fits(text)
    assert fits(full)
    answer = text.rpartition(f"{MATTERS_MOST}\n{'-' * len(MATTERS_MOST)}\n")[2]
    assert answer == text or len(diagnosis.outcomes) > 1
    assert answer.count("\n") <= MOST_LINES
    verdict, first = verdict_of(answer), first_step_of(answer)
    assert verdict.startswith(VERDICTS) or not diagnosis.outcomes
    assert re.search(r"^How sure +(Certain|Likely|Nothing is claimed)", answer, re.MULTILINE)
    assert re.search(r"^What +\w", answer, re.MULTILINE) or not diagnosis.findings
    answered = Answer(diagnosis)
    if answered.lead:
        command = f"whynolink rules {answered.lead.rule}"
        assert flat(answer).endswith(f" More: {command}")
        assert command in answer
    steps = answered.steps
    assert len(re.findall(r"^  \d\. ", answer, re.MULTILINE)) in (min(2, len(steps)), 3)
    end = full.rpartition(f"{AGAIN}\n{'-' * len(AGAIN)}\n")[2]
    assert (verdict_of(end), first_step_of(end)) == (verdict, first)


@pytest.mark.parametrize("path", RECORDINGS, ids=lambda path: path.name)
def test_the_time_of_day_of_what_is_told_is_shown(path: Path) -> None:
    """That of the frame that shows it best, in the reader's zone: steps ask what happened then."""
    diagnosis = analyzer.diagnose(path)
    answer = to_text(in_short([diagnosis], zone=CET)).rpartition(MATTERS_MOST)[2]
    shown = re.search(
        r"^How sure +[CL].*?frame ([\d,]+) \((\d\d:\d\d:\d\d)\)",
        answer,
        re.MULTILINE,
    )
    assert shown or "that clock time" not in flat(answer)
    if shown:
        began = diagnosis.facts.first_seen
        proofs = [one.moment for one in diagnosis.findings if one.moment]
        assert began is not None
        assert (shown[1], shown[2]) in {
            (
                f"{one.frame:,}",
                f"{(began + timedelta(seconds=one.seconds)).astimezone(CET):%H:%M:%S}",
            )
            for one in proofs
        }


def test_what_must_not_be_missed_stands_beside_the_short_caution() -> None:
    reset = ROOT / "tests" / "lab" / "kept" / "sessions-end-at-any-time.pcapng.gz"
    told = flat(to_text(in_short([analyzer.diagnose(reset)])))
    assert "WARNING: Ask the session's owner first. Make the machine safe first." in told


def test_what_failed_for_good_worked_at_first() -> None:
    """Once; what broke several times works at times."""
    once = in_short([analyzer.diagnose(ROOT / "captures" / "closed-while-needed.pcap")])
    assert re.search(r"^At first +session, answer$", to_text(once), re.MULTILINE)
    often = to_text(in_short([analyzer.diagnose(ROOT / "captures" / "two-units-one-address.pcap")]))
    assert re.search(r"^At times +hardware address, session$", often, re.MULTILINE)


def test_another_port_that_refused_is_told_beside_one_that_works() -> None:
    old = ROOT / "tests" / "lab" / "kept" / "old-port-refused-new-one-works.pcapng.gz"
    told = to_text(in_short([analyzer.diagnose(old)]))
    assert re.search(r"^Besides +192.0.2.60 refused 1 call to another port: 1999\.$", told, re.M)
    healthy = ROOT / "captures" / "healthy-first-contact.pcapng"
    assert "Besides" not in to_text(in_short([analyzer.diagnose(healthy)]))


def test_the_likeliest_cause_is_told_where_there_is_room() -> None:
    told = to_text(in_short([analyzer.diagnose(ROOT / "captures" / "port-silent.pcap.gz")]))
    assert re.search(r"^Likely why +A firewall or access list drops", told, re.MULTILINE)
    healthy = ROOT / "captures" / "healthy-first-contact.pcapng"
    assert "Likely why" not in to_text(in_short([analyzer.diagnose(healthy)]))


def test_the_page_tells_the_zone_beside_that_time() -> None:
    html = to_html(page([analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")], zone=CET))
    assert re.search(r"shown by frame 12 \(\d\d:\d\d:\d\d UTC\+01:00\) and", html)


def verdict_of(answer: str) -> str:
    """What stands above the first empty line."""
    return flat(answer.partition("\n\n")[0])


def first_step_of(answer: str) -> str:
    """What stands behind its number, without its caution."""
    found = re.search(r"^  1\. (.+?)\n( +[A-Z]+: |  2|\n|$)", answer, re.MULTILINE | re.DOTALL)
    assert found is not None
    return flat(found[1])


def test_of_several_connections_the_worst_is_told_below_a_table_of_all() -> None:
    text = to_text(in_short([diagnosed(ten_controllers(), ALL_TEN)]))
    lines = text.split("\n")
    assert lines[0] == "10 controllers: 6 complete and 4 stopped"
    assert all(any(line.startswith(address) for line in lines) for address in ALL_TEN)
    below = text.partition(MATTERS_MOST)[2]
    assert "controller 192.0.2.62" in below
    assert below.count("Connecting stopped") == 1


def test_of_several_recordings_the_worst_is_told_below_a_table_of_all() -> None:
    names = ("healthy-first-contact.pcapng", "stopped-early.pcap", "port-refused.pcap")
    diagnoses = [analyzer.diagnose(ROOT / "captures" / name) for name in names]
    text = to_text(in_short(diagnoses))
    places = [text.index(f'\n"{name}"\n') for name in reversed(names)]
    assert places == sorted(places)
    below = text.partition(f'{MATTERS_MOST}: "port-refused.pcap"\n')[2]
    assert "192.0.2.60 refuses port 503" in below
    assert below.count("\n") <= MOST_LINES + 1
    assert "192.0.2.60 refuses port 503" in to_text(in_full(diagnoses)).partition(AGAIN)[2]


def test_many_recordings_are_counted() -> None:
    one = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    text = to_text(in_short([one] * (MOST_ROWS + 5)))
    assert "5 more, none of them worse" in text
    assert text.count('\n"port-refused.pcap"\n') == MOST_ROWS


def test_how_to_make_a_machine_safe_is_said_once_above_the_steps_that_need_it() -> None:
    """What holds for all steps is told in full, what holds for one step in a few words."""
    text = to_text(in_short([analyzer.diagnose(ROOT / "captures" / "half-open-session.pcap")]))
    own, safe = text.index("WARNING: The controller may still act"), text.index("guards closed")
    assert own < safe < text.index("  1. Wait") < text.index(f"\n     {SAFE_FIRST}\n")
    assert text.count("guards closed") == 1


def test_a_text_from_outside_does_not_fill_the_screen() -> None:
    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    diagnosis.facts.file = "\u202e" + "x" * 5000 + "/end.pcap"
    text = to_text(in_short([diagnosis]))
    assert fits(text)
    assert text.count("\n") <= MOST_LINES
    assert "/end.pcap" in text


def test_what_came_along_and_is_no_recording_is_told() -> None:
    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    for blocks in (in_short, in_full):
        assert "b.txt: is text" in to_text(blocks([diagnosis], refused=["b.txt: is text"]))


def test_times_are_told_in_the_zone_that_is_asked_for() -> None:
    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    assert "from 2025-03-11 10:56:24 UTC\n" in to_text(in_short([diagnosis], zone=UTC))
    assert "from 2025-03-11 11:56:24 UTC+01:00" in flat(to_text(in_short([diagnosis], zone=CET)))
    full = to_text(in_full([diagnosis], CET))
    assert re.search(r"^Frame +Seconds +UTC\+01:00 +What it shows$", full, re.MULTILINE)
    assert re.search(r"^12 +\S+ +11:56:", full, re.MULTILINE)


def test_times_are_those_of_this_machine_where_no_zone_is_asked_for() -> None:
    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    assert diagnosis.facts.first_seen is not None
    own = diagnosis.facts.first_seen.astimezone()
    assert Clock(diagnosis, None).began().startswith(f"{own:%Y-%m-%d %H:%M:%S} UTC")


class Changes(tzinfo):
    """A zone that is two hours ahead from 10:56:30 UTC on, and one before."""

    def utcoffset(self, when: datetime | None) -> timedelta:
        assert when is not None
        late = when.replace(tzinfo=None) >= datetime(2025, 3, 11, 10, 56, 30)
        return timedelta(hours=2 if late else 1)

    def dst(self, when: datetime | None) -> timedelta:
        return self.utcoffset(when) - timedelta(hours=1)


def test_a_clock_that_is_changed_while_it_is_recorded_does_not_leap() -> None:
    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    clock = Clock(diagnosis, Changes())
    assert clock.at(Moment(1, 0.0))[:2] == clock.at(Moment(2, 20.0))[:2]


def test_a_year_that_no_system_knows_is_told_in_utc() -> None:
    class Refuses(tzinfo):
        def utcoffset(self, when: datetime | None) -> timedelta:
            raise OverflowError

    diagnosis = analyzer.diagnose(ROOT / "captures" / "port-refused.pcap")
    assert Clock(diagnosis, Refuses()).began() == "2025-03-11 10:56:24 UTC"


def test_a_name_of_sixty_letters_is_told_whole() -> None:
    for path in RECORDINGS[::20]:
        diagnosis = analyzer.diagnose(path)
        diagnosis.facts.file = f"{'line-3-' * 7}2025-03.pcap"[-60:]
        assert f'"{diagnosis.facts.file}"' in flat(to_text(in_short([diagnosis])))


@pytest.mark.parametrize("name", ["stopped-early.pcap", "no-attempt.pcap"])
def test_what_is_certain_is_said_where_the_verdict_tells_nothing(name: str) -> None:
    text = flat(to_text(in_short([analyzer.diagnose(ROOT / "captures" / name)])))
    assert "How sure Certain about the recording: shown by" in text
    assert "Nothing is claimed about the connection." in text
