"""What the receipts say: everything up to a number is on disk or given up, and nothing that is still missing."""

from __future__ import annotations

from typing import Any

import msgspec

from monitor.service.account import Account
from shared.messages import ReadError, ReceiptBoot
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_snapshot import SMALL


def account_of(entries: list[tuple[str, dict[str, Any]]]) -> Account:
    """The account of messages as a live service takes them, refused error messages included."""
    account = Account(campaign_of(SMALL))
    for kind, payload in entries:
        judgement = account.session.judge(0, f"lifebound/oven-1/1/{kind}", msgspec.json.encode(payload))
        if judgement.entry is not None:
            account.ledger.apply(judgement.entry)
        elif judgement.refused_error is not None:
            message = judgement.refused_error.message
            assert isinstance(message, ReadError)
            account.ledger.leave_out("oven-1", 1, message)
    return account


def held(account: Account, boot: str = "b") -> ReceiptBoot:
    return account.ledger.receipt("oven-1", "run", 0).boots[boot]


def tally(seq: int, up_s: int | None = None, boot: str = "b") -> tuple[str, dict[str, Any]]:
    up_ms = 1000 * (10 * seq if up_s is None else up_s)
    facts = {"v": 1, "boot": boot, "seq": seq, "t_ms": 0, "up_ms": up_ms, "temp_c": 125.0, "supply_v": 1.98}
    return "tally", {**facts, "reads": [100 * up_ms // 1000], "errors": [0]}


def error(n: int, socket: int = 1, boot: str = "b") -> tuple[str, dict[str, Any]]:
    facts = {"v": 1, "boot": boot, "n": n, "t_ms": 0, "up_ms": 15_000, "socket": socket, "address": 0}
    return "error", {**facts, "expected": "0", "observed": "1", "read_index": 1500 + n, "count": 1}


def test_a_receipt_stops_before_what_is_missing() -> None:
    account = account_of([tally(0), tally(1), tally(3), error(0), error(2)])
    assert held(account) == ReceiptBoot(tally={"1": 1}, error={"1": 0})


def test_what_is_given_up_is_covered() -> None:
    """The hold is 60 s: the tally at 90 s lets the gap before seq 3 (at 30 s) and before error 2 (at 15 s) go."""
    account = account_of([tally(0), tally(1), tally(3), error(0), error(2), tally(9)])
    assert held(account) == ReceiptBoot(tally={"1": 3}, error={"1": 2})


def test_a_refused_error_message_is_passed_over() -> None:
    """Socket 9 has no chip: its message is refused and counted, and no rack need send it again."""
    account = account_of([tally(0), error(0, socket=9), error(1), error(2, socket=300)])
    assert held(account).error == {"1": 2}
    assert account.session.refused.strangers == 2


def test_error_messages_of_an_older_boot_are_given_up_with_its_tallies() -> None:
    old = [tally(0, boot="a"), error(1, boot="a"), tally(2, boot="a")]
    newer = [tally(seq, boot="b") for seq in range(8)]
    account = account_of([*old, *newer])
    assert held(account, "a") == ReceiptBoot(tally={"1": 2}, error={"1": 1})


def test_only_the_latest_four_boots_are_spoken_of() -> None:
    account = account_of([tally(0, boot=boot) for boot in "abcdef"])
    assert list(account.ledger.receipt("oven-1", "run", 0).boots) == list("cdef")
