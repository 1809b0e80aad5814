"""A diagnosis -> one plain row: the shortest report, small enough to travel between processes."""

from dataclasses import dataclass, replace
from datetime import datetime

from analyzer.diagnosis import (
    CANNOT_TELL,
    FAULT,
    NO_FAULT,
    UNUSABLE,
    Diagnosis,
    Level,
    Outcome,
    Stage,
    Verdict,
)
from analyzer.reports.document.verdict import WARNED, because_of

NOT_READ = "not read"
"""The verdict of a file that nothing can be said about."""
WORST_STATUS = (FAULT, CANNOT_TELL, UNUSABLE, NO_FAULT)
WORST_VERDICT = (
    Verdict.STOPPED, Verdict.UNSTABLE, Verdict.CANNOT_TELL, WARNED, NOT_READ, Verdict.COMPLETE,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One recording in a line, told by the link-up that got least far.

    file: what the reader calls it; pieces: how many files it is made of; controller, port: empty
    and None where there is none; more_controllers: how many others it shows; pc: its IPv4 or
    hardware address, empty where it is not known; stage: where it stopped, empty where it did not;
    finding: the title of the leading one, or why the verdict is what it is; rule: its slug;
    certainty: of that finding; both empty where none leads; recorded, sent: UTC, ISO 8601, empty
    where not known; sender, subject, sent: what the mail says that it came with; strays: files that
    came along and never hold frames, told in the first row of a parcel; status: the exit status of
    its diagnosis; report: the file name of its page, empty where none was asked for.
    """

    file: str
    pieces: int = 1
    recorded: str = ""
    controller: str = ""
    port: int | None = None
    more_controllers: int = 0
    pc: str = ""
    verdict: str
    stage: str = ""
    finding: str
    rule: str = ""
    certainty: str = ""
    status: int
    sender: str = ""
    subject: str = ""
    sent: str = ""
    strays: int = 0
    sha256: str = ""
    report: str = ""


def row_of(diagnosis: Diagnosis, file: str) -> Row:
    """The row of a recording."""
    worst = min(diagnosis.outcomes, key=_badness, default=None)
    grave = (one for one in diagnosis.findings if one.level is not Level.NOTE)
    lead = worst.fault if worst and worst.fault else next(grave, None)
    row = Row(
        file=file,
        pieces=len(diagnosis.facts.pieces) or 1,
        verdict=str(Verdict.CANNOT_TELL),
        finding=lead.title if lead else _nobody(diagnosis),
        rule=lead.rule if lead else "",
        certainty=str(lead.certainty) if lead else "",
        recorded=in_utc(diagnosis.facts.first_seen),
        status=diagnosis.status,
        sha256=diagnosis.facts.sha256,
    )
    if worst is None:
        return row
    return replace(
        row,
        controller=str(worst.linkup.controller),
        port=worst.linkup.target.port,
        more_controllers=len(diagnosis.outcomes) - 1,
        pc=str(worst.linkup.pc_address or worst.linkup.pc.hardware or ""),
        verdict=WARNED if lead and worst.verdict is Verdict.COMPLETE else str(worst.verdict),
        stage=str(worst.stopped_at or ""),
        finding=lead.title if lead else because_of(worst),
    )


def in_utc(when: datetime | None) -> str:
    """A time for a row."""
    return "" if when is None else when.isoformat(timespec="seconds")


def not_read(file: str, why: str) -> Row:
    """The row of a file that cannot be judged."""
    return Row(file=file, verdict=NOT_READ, finding=why, status=UNUSABLE)


def beside(row: Row) -> Row:
    """The row of what is no recording, where one lay in the same parcel: told, not counted."""
    return replace(row, status=NO_FAULT)


def worst_first(row: Row) -> tuple[object, ...]:
    """The key to sort rows by: a fault before a doubt, an early stage before a late one, and alike
    ones together.
    """
    return *group(row), row.file


REASON = 3
"""The place in `group` from which on the reason stands."""


def group(row: Row) -> tuple[int, int, int, bool, str]:
    """What is the same for rows that are told together: verdict, stage and reason. What works needs
    no reason.
    """
    statuses = WORST_STATUS.index(row.status)
    reason = row.rule or ("" if row.verdict == Verdict.COMPLETE else row.finding)
    return statuses, *_how_bad(row.verdict, row.stage), not row.rule, reason


def _badness(outcome: Outcome) -> tuple[int, int]:
    return _how_bad(outcome.verdict, outcome.stopped_at or "")


def _how_bad(verdict: str, stage: str) -> tuple[int, int]:
    stages = [*map(str, Stage), ""]
    return WORST_VERDICT.index(verdict), stages.index(stage)


def _nobody(diagnosis: Diagnosis) -> str:
    if diagnosis.case.pc is None and len(diagnosis.case.candidates) > 1:
        return "Which station is the PC cannot be told"
    return "No controller was found"
