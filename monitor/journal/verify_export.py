"""Is an exported file whole: every line one of a run, the campaign there, and nothing changed since it was written.

A file says in its last line what its lines before that hash to, and which head the journal had. Whoever changes the
lines can change that too; so compare the head with one that was noted elsewhere, as for a run directory.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from monitor.journal.exchange import ArchivedJournal, Line, read_lines
from monitor.journal.protocol import Head
from monitor.journal.verify import Finding, Verification, check_campaign
from shared.errors import InputError
from shared.shown import escape


@dataclass
class _Check:
    findings: list[Finding] = field(default_factory=list)
    lines: int = 0
    times: list[int] = field(default_factory=list)  # the first and the last
    end: Line | None = None
    after_end: bool = False
    changed: bool = False  # the lines before the last are not those which it says

    def wrong(self, kind: str, text: str) -> None:
        self.findings.append(Finding("wrong", kind, text))

    def note(self, kind: str, text: str) -> None:
        self.findings.append(Finding("note", kind, text))

    def note_change(self, _sentence: str) -> None:
        self.changed = True

    def hear(self, line: Line) -> None:
        self.after_end = self.end is not None
        if isinstance(line.t_recv_ms, int):
            self.lines += 1
            times = [line.t_recv_ms, *self.times]
            self.times = [min(times), max(times)]
        else:
            self.end = line


def verify_export(path: Path, noted: Head | None = None) -> Verification:
    """Check an exported file, against a head that was noted earlier if one is given.

    Raises InputError when there is no such file.
    """
    if not path.is_file():
        raise InputError(f"{path}: no such file; give an exported run (.jsonl or .jsonl.zst)")
    check = _Check()
    try:
        for line in read_lines(path, check.note_change):
            check.hear(line)
    except InputError as error:
        check.wrong("undecodable", escape(str(error).removeprefix(str(path)).strip(" :")))
    else:
        _ending(check, noted)
    journal = _journal(check)
    first, last = check.times or (None, None)
    run = check.end.campaign.run if check.end and check.end.campaign is not msgspec.UNSET else None
    batches = journal.batches if journal else 0
    return Verification(run, _head(journal), batches, check.lines, first, last, tuple(check.findings))


def _ending(check: _Check, noted: Head | None) -> None:
    if check.end is None:
        check.wrong("truncated", "the last line is missing, with the counts and the campaign")
        return
    if check.after_end:
        check.wrong("inserted", "lines follow the last one, or it is there twice")
    _campaign(check.end, check)
    journal = _journal(check)
    if journal is None:
        check.note(
            "older",
            "it does not say what its lines hash to: an older lifebound wrote it, or no journal was there",
        )
    elif check.changed or check.after_end:
        check.wrong("changed", "the lines are not those whose hash stands in the last one")
    if journal is not None and _head(journal) is None:
        check.wrong("changed", f"its head is none: {escape(journal.head)}")
    if noted is not None:
        _against_noted(_head(journal), noted, check)


def _campaign(end: Line, check: _Check) -> None:
    if isinstance(end.campaign, msgspec.UnsetType):
        if isinstance(end.journal, msgspec.UnsetType):
            check.note("campaign", "it does not hold its campaign; replay it with --campaign FILE")
        else:
            check.wrong("campaign", "it does not hold its campaign, as every export of a journal does")
        return
    check_campaign(end.campaign.source, end.campaign.sha256, check.wrong)


def _against_noted(head: Head | None, noted: Head, check: _Check) -> None:
    if head is None:
        check.wrong("truncated", "there is no head to compare with the one that was noted")
    elif head.number < noted.number:
        text = (
            f"it ends with batch {head.number}, before the head that was noted: exported earlier, or cut off"
        )
        check.wrong("truncated", text)
    elif head.number > noted.number:
        check.note(
            "newer",
            "it was exported after the head was noted; only the run directory can tell whether it follows",
        )
    elif head != noted:
        check.wrong(
            "rewritten", f"batch {noted.number} has another hash than was noted: the journal was written anew"
        )


def _journal(check: _Check) -> ArchivedJournal | None:
    journal = check.end.journal if check.end is not None else None
    return journal if isinstance(journal, ArchivedJournal) else None


def _head(journal: ArchivedJournal | None) -> Head | None:
    try:
        head = Head.parse(journal.head) if journal is not None else None
    except ValueError:
        return None
    return head if journal is not None and head is not None and head.number == journal.batches else None
