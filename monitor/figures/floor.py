"""The floor: how every board and socket stands right now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.figures.document import BoardFigures, SocketFigures
from monitor.figures.failed import FailedChip
from monitor.ledger import CREDITED, UNKNOWN, Board, Ledger, Rack, Reason
from shared.quantities import hours

_WORDS = {
    CREDITED: "reading",
    UNKNOWN: "starting",
    Reason.COUNTER: "counter",
    Reason.UNWITNESSED: "unwitnessed",
    Reason.TEMPERATURE: "temperature",
    Reason.SUPPLY: "supply",
    Reason.NOT_READING: "not reading",
}
_BOARD_ORDER = ("starting", "unwitnessed", "temperature", "supply", "counter", "not reading")


@dataclass(frozen=True, slots=True)
class Age:
    """How long ago a board was heard of, in ms: by any tally, and by one that closed an interval.

    Of a board never heard of: how long ago the run began.
    """

    any_ms: int
    paired_ms: int


Ages = Mapping[tuple[str, int], Age]
"""Ages of boards, by (rack, board)."""


def boards(
    ledger: Ledger, failed: list[FailedChip], at_ms: int | None, ages: Ages | None = None
) -> list[BoardFigures]:
    """Every board of the campaign, in the order of racks and slots.

    Silence is judged by ``ages`` where they tell of a board, else by the receive times at ``at_ms``.
    """
    out = {f.index: "not relevant" if f.not_relevant else "failed" for f in failed}
    return [
        _board(ledger, board, out, (ages or {}).get(place) or _age(ledger, board, at_ms))
        for place, board in ledger.boards.items()
    ]


def _age(ledger: Ledger, board: Board, at_ms: int | None) -> Age | None:
    """The age by receive times; None when nothing tells it."""
    began_ms = ledger.first_recv_ms
    if at_ms is None or began_ms is None:
        return None
    if board.last_recv_ms is None or board.paired_recv_ms is None:
        return Age(at_ms - began_ms, at_ms - began_ms)
    return Age(at_ms - board.last_recv_ms, at_ms - board.paired_recv_ms)


def _board(ledger: Ledger, board: Board, out: dict[int, str], age: Age | None) -> BoardFigures:
    overdue = _is_overdue(ledger, age)
    absent = _absence(board, ledger.racks[board.rack], overdue=overdue)
    sockets = [
        SocketFigures(
            socket, ledger.campaign.chips[index].serial, out.get(index) or absent or _last(ledger, index)
        )
        for socket, index in zip(board.sockets, board.chips.tolist(), strict=True)
    ]
    base = board.newest.base if board.newest is not None else None
    return BoardFigures(
        rack=board.rack,
        board=board.number,
        last_seq=base.seq if base else None,
        last_t_ms=base.t_ms if base else None,
        temp_c=base.temp_c if base else None,
        supply_v=base.supply_v if base else None,
        state=absent or _present([s.state for s in sockets]),
        last_recv_ms=board.last_recv_ms,
        boots=board.boots,
        credited_h=hours(int(ledger.accounts.credited_ms[board.chips].sum())),
        sockets=sockets,
        overdue=overdue,
    )


def _is_overdue(ledger: Ledger, age: Age | None) -> bool:
    """Whether no evidence comes of a board.

    That is no tally at all for longer than a gap may last, or, with the hold for reordering on top, none that closes an
    interval (all of them late, or a controller that boots again and again).
    """
    limits = ledger.limits
    return age is not None and (
        age.any_ms > limits.max_gap_ms or age.paired_ms > limits.max_gap_ms + limits.hold_ms
    )


def _absence(board: Board, rack: Rack, *, overdue: bool) -> str | None:
    """Why nothing is known of the board right now, or None.

    A rack is offline by what it said last, in order of arrival: no clock has a part in it.
    """
    if board.last_recv_ms is None:
        return "never seen"
    if rack.online is False and rack.presence_arrival > board.last_arrival:
        return "offline"
    return "silent" if overdue else None


def _last(ledger: Ledger, index: int) -> str:
    return _WORDS[int(ledger.accounts.last[index])]


def _present(states: list[str]) -> str:
    at_risk = [state for state in states if state not in {"failed", "not relevant"}]
    if not at_risk:
        return "no chip at risk"
    return next((word for word in _BOARD_ORDER if word in at_risk), "stressing")
