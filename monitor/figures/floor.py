"""The floor: how every board and socket stands right now."""

from __future__ import annotations

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


def boards(ledger: Ledger, failed: list[FailedChip], at_ms: int | None) -> list[BoardFigures]:
    """Every board of the campaign, in the order of racks and slots; silence is judged at ``at_ms``."""
    out = {f.index: "not relevant" if f.not_relevant else "failed" for f in failed}
    return [_board(ledger, board, out, at_ms) for board in ledger.boards.values()]


def _board(ledger: Ledger, board: Board, out: dict[int, str], at_ms: int | None) -> BoardFigures:
    absent = _absence(ledger, board, ledger.racks[board.rack], at_ms)
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
        boots=len(board.streams),
        credited_h=hours(int(ledger.accounts.credited_ms[board.chips].sum())),
        sockets=sockets,
    )


def _absence(ledger: Ledger, board: Board, rack: Rack, at_ms: int | None) -> str | None:
    """Why nothing is known of the board right now, or None.

    Silent is a board of which no evidence comes: no tally at all for longer than a gap may last, or, with the hold
    for reordering on top, none that closes an interval (all of them late, or a controller that boots again and again).
    """
    if board.last_recv_ms is None or board.paired_recv_ms is None:
        return "never seen"
    said_ms = rack.presence_recv_ms
    if rack.online is False and said_ms is not None and said_ms >= board.last_recv_ms:
        return "offline"
    limits = ledger.limits
    if at_ms is not None and (
        at_ms - board.last_recv_ms > limits.max_gap_ms
        or at_ms - board.paired_recv_ms > limits.max_gap_ms + limits.hold_ms
    ):
        return "silent"
    return None


def _last(ledger: Ledger, index: int) -> str:
    return _WORDS[int(ledger.accounts.last[index])]


def _present(states: list[str]) -> str:
    at_risk = [state for state in states if state not in {"failed", "not relevant"}]
    if not at_risk:
        return "no chip at risk"
    return next((word for word in _BOARD_ORDER if word in at_risk), "stressing")
