"""Small ways to break the account, each of which the tests must catch.

A mutation is the exact text to replace, which must stand once in its file, what to put there, and the tests that are
asked: the smallest set that should notice.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Mutation:
    """One way to break one file; ``harm`` says what a user would suffer."""

    name: str
    harm: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]


_BOARD = "monitor/ledger/board.py"
_LIMITS = "monitor/ledger/limits.py"
_STREAM = "monitor/ledger/stream.py"
_LEDGER = "monitor/ledger/ledger.py"
_SESSION = "monitor/intake/session.py"
_ACCOUNT = "monitor/service/account.py"
_CASES = ("tests/ledger/test_limits.py", "tests/ledger/test_hand_cases.py")
_ORACLE = (*_CASES, "tests/ledger/test_against_oracle.py")
_VERDICTS = ("tests/intake/test_session.py",)

MUTATIONS: tuple[Mutation, ...] = (
    Mutation(
        "a millisecond too much",
        "every interval is credited one millisecond longer than it was",
        _BOARD,
        "accounts.enter(chips, reason, dt_ms, self._factor(a, b)",
        "accounts.enter(chips, reason, dt_ms + 1, self._factor(a, b)",
        _CASES,
    ),
    Mutation(
        "an interval too much",
        "the time before the first tally of a boot is credited, which nobody witnessed",
        _BOARD,
        "before = stream.base\n        if before is None:",
        "first = self._base_of(tally)\n"
        "        before = stream.base or Base(\n"
        "            -1, 0, 0, first.temp_c, first.supply_v, first.reads * 0, first.errors * 0, False\n"
        "        )\n"
        "        if before is None:",
        _CASES,
    ),
    Mutation(
        "a boot change credited",
        "the time between two boots is credited, of which nothing is known",
        _BOARD,
        "found = self.streams[boot] = Stream(boot, self.boots)",
        "found = self.streams[boot] = Stream(boot, self.boots, base=self.newest and self.newest.base)",
        _ORACLE,
    ),
    Mutation(
        "a gap bridged",
        "an interval longer than may rest on its two ends is credited",
        _LIMITS,
        "return dt_ms <= self.max_gap_ms or dt_ms <= self.bridge_gap_ms",
        "return True",
        _CASES,
    ),
    Mutation(
        "temperature exclusive",
        "a tally exactly at a limit of the temperature is not credited",
        _LIMITS,
        "self.temp_low_c <= temp_c <= self.temp_high_c",
        "self.temp_low_c < temp_c < self.temp_high_c",
        _ORACLE,
    ),
    Mutation(
        "supply not looked at",
        "hours outside the supply limits are credited",
        _LIMITS,
        "self.supply_low_v <= supply_v <= self.supply_high_v",
        "self.supply_low_v <= supply_v",
        _CASES,
    ),
    Mutation(
        "silent chips credited",
        "a chip that is not read looks like a chip that does not fail",
        _LIMITS,
        "return min(-(-rate.numerator * dt_ms",
        "return 0 * min(-(-rate.numerator * dt_ms",
        _CASES,
    ),
    Mutation(
        "a counter fault credited",
        "counters that fall or leap count as reading",
        _BOARD,
        "reason[fell | beyond | (null_a != null_b)]",
        "reason[null_a != null_b]",
        _CASES,
    ),
    Mutation(
        "an impossible step credited",
        "a step of the rack's clock of more than 744 h is taken for time",
        _BOARD,
        "if not 0 < dt_ms <= MAX_DT_MS:",
        "if not 0 < dt_ms:",
        _ORACLE,
    ),
    Mutation(
        "the failing interval whole",
        "a failed chip is credited to the end of the interval it failed in",
        _BOARD,
        "ms = error.up_ms - piece.start_ms",
        "ms = piece.end_ms - piece.start_ms",
        _CASES,
    ),
    Mutation(
        "reads after the failure",
        "all reads of the failing interval count, those after the failure too",
        _BOARD,
        "reads = min(max(error.read_index - piece.reads, 0), max(piece.advance, 0))",
        "reads = max(piece.advance, 0)",
        _CASES,
    ),
    Mutation(
        "late credited",
        "a tally that comes after its time was folded is folded again",
        _STREAM,
        "return tally.seq < self.next_seq",
        "return False",
        _ORACLE,
    ),
    Mutation(
        "no waiting",
        "a tally that overtakes another makes a gap at once",
        _STREAM,
        "return self.clock_ms is not None and self.clock_ms - lowest.up_ms >= hold_ms",
        "return True",
        _ORACLE,
    ),
    Mutation(
        "gaps not counted",
        "tallies that never came are seen by nobody",
        _BOARD,
        "self.counts.gaps += 1",
        "self.counts.gaps += 0",
        _CASES,
    ),
    Mutation(
        "duplicates counted",
        "a message that comes twice counts twice",
        _SESSION,
        "if known:\n            verdict",
        "if known and known != mark:\n            verdict",
        _VERDICTS,
    ),
    Mutation(
        "conflicts unseen",
        "two messages of one identity that contradict each other pass for duplicates",
        _SESSION,
        "if known == mark else Verdict.CONFLICT",
        "if known else Verdict.CONFLICT",
        _VERDICTS,
    ),
    Mutation(
        "receipts too high",
        "a rack is told to forget a tally that is not on disk",
        _LEDGER,
        "stream.next_seq - 1 for number",
        "stream.next_seq for number",
        ("tests/ledger/test_receipts.py",),
    ),
    Mutation(
        "acknowledged before the commit",
        "a crash between the two loses what the broker has forgotten",
        "monitor/service/receiving.py",
        "await self._recorder.record(deliveries)\n                link.acknowledge(deliveries)",
        "link.acknowledge(deliveries)\n                await self._recorder.record(deliveries)",
        ("tests/service/test_storage.py",),
    ),
    Mutation(
        "a snapshot ahead",
        "after a restart the batch behind the snapshot is never folded",
        _ACCOUNT,
        "taken_up[0], taken_up[1].number",
        "taken_up[0], taken_up[1].number + 1",
        ("tests/ledger/test_snapshot.py",),
    ),
    Mutation(
        "refused counts forgotten",
        "after a restart nobody knows what was refused before",
        _ACCOUNT,
        "account.session.add_refused(await journal.refused())",
        "await journal.refused()",
        (
            "tests/service/test_recorder.py",
            "tests/intake/test_noted.py",
            "tests/cli/test_figures_intake.py",
        ),
    ),
    Mutation(
        "a chain of single links",
        "a batch that was taken out or swapped does not show",
        "monitor/journal/chain.py",
        "for field in (before, counts, body))",
        "for field in (counts, body))",
        ("tests/journal/test_verify.py",),
    ),
    Mutation(
        "commits not synced",
        "a power cut takes what was acknowledged",
        "monitor/journal/connection.py",
        '"synchronous=FULL"',
        '"synchronous=OFF"',
        ("tests/journal/test_sqlite.py",),
    ),
)
