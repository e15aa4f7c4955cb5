"""Boots that ended long ago: what waits in one is folded, its failure closed, and it is forgotten but for the account.

A tally every 10 s at 100 reads a second; the 65th boot of a rack closes the oldest.
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from monitor.figures import to_json
from monitor.ledger import LIVE_BOOTS, freeze, thaw
from monitor.service.account import Account
from shared.errors import Refusal
from tests.ledger.test_against_oracle import campaign_of
from tests.ledger.test_receipts import error, tally
from tests.ledger.test_snapshot import SMALL

TWO_BOARDS = SMALL | {
    "chips_expanded": [
        {"rack": "oven-1", "board": board, "socket": 1, "serial": f"S{board}", "lot": "A"} for board in (1, 2)
    ]
}


class Rack:
    """An account that hears one rack."""

    def __init__(self, facts: dict[str, Any] = SMALL) -> None:
        self.account = Account(campaign_of(facts))
        self.ledger = self.account.ledger
        self.board = self.ledger.boards["oven-1", 1]

    def hear(self, *messages: tuple[str, dict[str, Any]], board: int = 1) -> list[Refusal | None]:
        reasons = []
        for kind, payload in messages:
            raw = msgspec.json.encode(payload)
            judged = self.account.session.judge(0, f"lifebound/oven-1/{board}/{kind}", raw)
            if judged.entry is not None:
                self.ledger.apply(judged.entry)
            reasons.append(judged.reason)
        return reasons

    def boot_often(self, times: int, board: int = 1, name: str = "boot") -> None:
        for number in range(times):
            assert self.hear(tally(0, boot=f"{name}-{number}"), board=board) == [None]


def test_what_waits_in_a_boot_that_ends_is_folded() -> None:
    rack = Rack()
    rack.hear(*(tally(seq, boot="old") for seq in (0, 1, 3, 4)))
    rack.boot_often(LIVE_BOOTS - 1)
    assert (rack.ledger.waiting, rack.ledger.counts.gaps) == (2, 0)
    rack.hear(tally(0, boot="the 65th"))
    assert (rack.ledger.waiting, rack.ledger.counts.gaps) == (0, 1)
    assert rack.ledger.accounts.credited_ms.tolist() == [40_000]
    (gap,) = rack.ledger.notes.kept["gap"]
    assert (gap.boot, gap.seq, gap.detail) == ("old", 3, "seq 2 before it never came")
    assert "old" not in rack.board.streams
    assert len(rack.board.streams) == LIVE_BOOTS
    assert rack.hear(tally(5, boot="old"), error(0, boot="old")) == [Refusal.BOOT] * 2
    assert rack.ledger.accounts.credited_ms.tolist() == [40_000]
    assert rack.account.figures().boards[0].boots == LIVE_BOOTS + 1


def test_a_failure_that_is_pending_in_a_boot_that_ends_is_closed() -> None:
    rack = Rack()
    rack.hear(tally(0, boot="old"), tally(1, boot="old"), error(0, boot="old"))
    rack.boot_often(LIVE_BOOTS - 1)
    failure = rack.ledger.witnesses[0].failure
    assert failure is not None
    assert failure.pending
    rack.hear(tally(0, boot="the 65th"), tally(1, boot="the 65th"))
    assert not failure.pending
    assert (failure.boot, failure.up_ms) == ("old", 15_000)
    assert rack.ledger.accounts.credited_ms.tolist() == [10_000], "up to the last folded tally, and no more"
    assert rack.ledger.counts.disagreements == 1
    (told,) = rack.ledger.notes.kept["disagreement"]
    assert told.detail == (
        "the failure of socket 1 by error message 0 at up_ms 15000 is not in the counters, "
        "which tell of 0 failed reads"
    )


def test_a_failure_whose_instant_moves_into_a_boot_that_ended_is_closed() -> None:
    """Two failed reads make a failure. The rack knows boot y before x, board 1 only after it; y has ended when x tells
    of a read, and by the order of the board it is y's message at which the sum is reached."""
    rack = Rack(TWO_BOARDS | {"failure": {"errors": 2}})
    rack.hear(tally(0, boot="y"), board=2)
    rack.hear(tally(0, boot="x"), tally(1, boot="x"), tally(0, boot="y"), error(0, boot="y"))
    rack.boot_often(LIVE_BOOTS - 1, board=2)
    assert list(rack.board.streams) == ["x"]
    rack.hear(error(0, boot="x"))
    failure = rack.ledger.witnesses[0].failure
    assert failure is not None
    assert (failure.boot, failure.up_ms, failure.pending) == ("y", 15_000, False)
    assert rack.ledger.counts.disagreements == 1
    assert thaw(rack.account.campaign, freeze(rack.ledger)) is not None


def test_a_board_that_is_silent_for_many_boots_still_shows_its_last_tally() -> None:
    rack = Rack(TWO_BOARDS)
    rack.hear(tally(0, boot="old"), tally(1, boot="old"), board=2)
    rack.boot_often(LIVE_BOOTS + 3)
    silent = rack.account.figures().boards[1]
    assert (silent.last_seq, silent.temp_c, silent.boots) == (1, 125.0, 1)
    thawed = thaw(rack.account.campaign, freeze(rack.ledger))
    assert thawed is not None
    assert freeze(thawed) == freeze(rack.ledger)
    before = to_json(rack.account.figures())
    rack.account.ledger = thawed
    assert to_json(rack.account.figures()) == before


@pytest.mark.parametrize("cut", [1, LIVE_BOOTS, LIVE_BOOTS + 2])
def test_a_snapshot_goes_on_with_the_same_boots(cut: int) -> None:
    whole, taken_up = Rack(), Rack()
    for rack in (whole, taken_up):
        rack.hear(tally(0, boot="old"), tally(2, boot="old"))
        rack.boot_often(cut)
    thawed = thaw(whole.account.campaign, freeze(taken_up.ledger))
    assert thawed is not None
    taken_up.account.ledger = taken_up.ledger = thawed
    for rack in (whole, taken_up):
        rack.boot_often(LIVE_BOOTS, name="after")
    assert freeze(taken_up.ledger) == freeze(whole.ledger)
    assert taken_up.ledger.receipt("oven-1", "run", 0) == whole.ledger.receipt("oven-1", "run", 0)


def test_refused_error_messages_do_not_pile_up() -> None:
    """Numbers far apart, of a socket without a chip: not one in sixteen waits, and what came is still covered."""
    rack = Rack()
    rack.hear(tally(0), error(0))
    for n in range(2, 4000, 2):
        raw = msgspec.json.encode(error(n, socket=9)[1])
        refused = rack.account.session.judge(0, "lifebound/oven-1/1/error", raw).refused_error
        assert refused is not None
        rack.ledger.leave_out("oven-1", 1, refused.message)  # type: ignore[arg-type]
    stream = rack.board.streams["b"]
    assert len(stream.waiting_errors) <= 16
    rack.hear(error(1))
    assert rack.ledger.receipt("oven-1", "run", 0).boots["b"].error == {"1": 2}
