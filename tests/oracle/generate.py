"""Small adversarial runs for comparing an account with the oracle's. All data invented.

A run starts out as the clean story of every board, boot after boot; then a short list of *deviations* is drawn and
applied, first to what the rack measures, then to how its messages arrive. Few draws make a run, so that a failing
example shrinks to its few deviations, and the clean run is the simplest of all.
"""

import copy
from typing import Any

from hypothesis import strategies as st

Record = dict[str, Any]
Entry = tuple[int, str, Record]

LONGEST_MS = 744 * 3_600_000
START_MS = 1_700_000_000_000


@st.composite
def runs(draw: st.DrawFn) -> tuple[Record, list[Entry]]:
    """(campaign as parsed from its file, with `chips_expanded`; entries in order of arrival)."""
    campaign = draw(campaigns())
    boards = sorted({(c["rack"], c["board"]) for c in campaign["chips_expanded"]})
    items: list[Record] = []
    for rack, board in boards:
        items += draw(board_stories(campaign, rack, board, 40 // len(boards)))
    items += draw(others(boards, max((i["at"] for i in items), default=0)))
    items.sort(key=lambda item: item["at"])
    prefix = campaign.get("intake", {}).get("prefix", "lifebound")
    entries = [
        (START_MS + 100 * k, f"{prefix}/{item['topic']}", item["payload"]) for k, item in enumerate(items)
    ]
    return campaign, entries


# ---------------------------------------------------------------- the campaign


@st.composite
def campaigns(draw: st.DrawFn) -> Record:
    stress = {
        "temp_c": 125.0,
        "temp_tol_minus_c": 2.0,
        "temp_tol_plus_c": 5.0,
        "supply_v": 1.98,
        "supply_tol_v": 0.04,
        "read_rate_hz": draw(st.sampled_from([100, 100.0, 33.3])),
        "report_interval_s": draw(st.sampled_from([10, 10, 2, 2.5])),
    }
    optional: dict[str, list[Any]] = {
        "self_heating_c": [None, 4.0],
        "min_read_fraction": [None, None, 0.9, 0.7],
        "max_read_fraction": [None, None, 1.1],
        "max_gap_s": [None, None, 25, 30],
        "bridge_gap_s": [None, None, 40],
        "reorder_hold_s": [20, 30, None, 5],
        "accelerate_at": [None, "measured", "setpoint"],
    }
    for key, choices in optional.items():
        value = draw(st.sampled_from(choices))
        if value is not None:
            stress[key] = value
    failure = {
        "errors": draw(st.sampled_from([1, 1, 2, 3])),
        "common_cause_chips": draw(st.sampled_from([2, 3])),
        "common_cause_s": draw(st.sampled_from([60, 10, 20])),
    }
    campaign = {
        "campaign": {"id": "invented"},
        "stress": stress,
        "use": {
            "supply_v": 1.8,
            "profile": [{"share": 0.25, "temp_c": -20.0, "supply_v": 1.7}, {"share": 0.75, "temp_c": 60.0}],
        },
        "failure": draw(st.sampled_from([failure, failure, {}])),
        "mechanism": [
            {"name": "charge-loss", "ea_ev": 1.1},
            {"name": "gate-oxide", "ea_ev": 0.7, "gamma_per_v": 3.5},
            {"name": "steep", "ea_ev": 0.5, "voltage_exponent": 40},
        ],
    }
    if draw(st.integers(0, 5)) == 5:
        campaign["intake"] = {"prefix": "bench/lifebound"}
    boards = draw(
        st.sampled_from(
            [
                [("oven-1", 1)],
                [("oven-1", 1)],
                [("oven-1", 1), ("oven-1", 2)],
                [("oven-1", 1), ("oven-2", 1)],
            ]
        )
    )
    sockets = draw(st.integers(2, 4))
    chips = [
        {"rack": rack, "board": board, "socket": s, "serial": f"{rack}-{board}-{s}", "lot": "AB"[s % 2]}
        for rack, board in boards
        for s in range(1, sockets + 1)
    ]
    campaign["chips_expanded"] = chips
    return campaign


# ---------------------------------------------------------------- what the rack measures

# Each deviation is (kind, tally index, socket, choice); the meaning of the choice is the kind's.
STEPS_MS = [0, -5000, 1, 25_000, 30_000, 30_001, 40_000, 40_001, LONGEST_MS, LONGEST_MS + 1, 2 * LONGEST_MS]
TEMPS_C = [None, 123.0, 122.999, 130, 130.0, 130.00000000000003, 126.5]
SUPPLIES_V = [None, 1.94, 1.9399999999999997, 2.02, 2.0200000000000005, 1.95]
READ_FRACTIONS = [(9, 10, 0), (9, 10, -1), (11, 10, 0), (11, 10, 1), (0, 1, 0), (-1, 2, 0), (7, 10, 0)]
ERROR_MODES = [
    "both", "both", "counter only", "both twice", "counter only", "message only", "message early", "message late",
    "message much later", "message on the edge", "messages swapped", "odd index",
]  # fmt: skip
RACK_KINDS = [
    *["errors"] * 7, *["step", "blip", "restart", "reads", "temp", "supply"] * 2,
    "null", "errors fall", "short lists", "burst", "far ahead",
]  # fmt: skip
ARRIVAL_KINDS = ["drop", "drop", "drop", "delay", "delay", "far delay", "again", "changed", "early"]


@st.composite
def board_stories(draw: st.DrawFn, campaign: Record, rack: str, board: int, budget: int) -> list[Record]:
    """Every message of a board with its place in the order of arrival ("at")."""
    sockets = max(c["socket"] for c in campaign["chips_expanded"]) + draw(st.sampled_from([0, 0, 1]))
    boots = draw(st.sampled_from([1, 1, 2, 2, 3]))
    items: list[Record] = []
    at = 0.0
    for k in range(boots):
        length = min(draw(st.sampled_from([6, 3, 9, 13, 1, 20, 24])), budget // boots)
        deviations = draw(some(deviation(RACK_KINDS, length, sockets)))
        boot = f"{rack}-boot-{k}"
        story = measure(campaign["stress"], boot, length, sockets, deviations)
        for item in story:
            item["at"] += at
            item["topic"] = f"{rack}/{board}/{item['kind']}"
        at += length
        items += story
    arrivals = draw(some(deviation(ARRIVAL_KINDS, len(items), sockets)))
    return arrive(items, arrivals)


def some(one: st.SearchStrategy[Any]) -> st.SearchStrategy[list[Any]]:
    """A few of them, often none."""
    return st.sampled_from([0, 1, 2, 0, 3, 5, 8]).flatmap(
        lambda n: st.lists(one, min_size=n // 2, max_size=n)
    )


def deviation(kinds: list[str], length: int, sockets: int) -> st.SearchStrategy[tuple[str, int, int, int]]:
    return st.tuples(
        st.sampled_from(kinds),
        st.integers(0, max(0, length - 1)),
        st.integers(1, sockets),
        st.integers(0, 59),
    )


def measure(
    stress: Record, boot: str, length: int, sockets: int, deviations: list[tuple[str, int, int, int]]
) -> list[Record]:
    """The tallies and error messages of one boot in the order in which a perfect courier would bring them."""
    interval_ms = int(1000 * stress["report_interval_s"])
    items: list[Record] = []
    messages: list[Record] = []
    up, reads, errors = 0, [0] * sockets, [0] * sockets
    for seq in range(length):
        here = [(kind, socket, choice) for kind, index, socket, choice in deviations if index == seq]
        if any(kind == "restart" for kind, _, _ in here):
            up, reads, errors = 0, [0] * sockets, [0] * sockets
        before, base = up, list(reads)
        up += step_ms(here, interval_ms)
        nominal = int(stress["read_rate_hz"] * interval_ms) // 1000
        whole = int(stress["read_rate_hz"] * max(0, up - before)) // 1000
        reads = [r + (nominal if up - before > LONGEST_MS else whole) for r in reads]
        payload: Record = {
            "v": 1, "boot": boot, "seq": seq, "t_ms": START_MS + up, "up_ms": up, "temp_c": 125.0, "supply_v": 1.98,
        }  # fmt: skip
        for kind, socket, choice in here:
            s = socket - 1
            if kind in ("errors", "burst"):  # a burst is several chips at once: the oven, not the chips
                for other in range(sockets) if kind == "burst" else [s]:
                    where = {
                        "boot": boot, "seq": seq, "ups": (before, up), "reads": (base[other], reads[other]),
                        "interval_ms": interval_ms,
                    }  # fmt: skip
                    fail(where, other + 1, 0 if kind == "burst" else choice, errors, messages)
            elif kind == "errors fall":
                errors[s] = max(0, errors[s] - 1 - choice % 2)
            elif kind == "reads":
                times, over, more = READ_FRACTIONS[choice % len(READ_FRACTIONS)]
                reads[s] = max(0, base[s] + (reads[s] - base[s]) * times // over + more)
            elif kind == "temp":
                payload["temp_c"] = TEMPS_C[choice % len(TEMPS_C)]
            elif kind == "supply":
                payload["supply_v"] = SUPPLIES_V[choice % len(SUPPLIES_V)]
            elif kind == "blip":
                payload["up_ms"] = max(0, up + STEPS_MS[choice % len(STEPS_MS)] - interval_ms)
            elif kind == "far ahead" and choice % 2:
                payload["up_ms"] = up + LONGEST_MS + choice
        payload["reads"], payload["errors"] = list(reads), list(errors)
        empty_sockets(payload, seq, deviations)
        items.append({"at": float(seq), "kind": "tally", "payload": payload})
    number_messages(messages)
    return items + messages


def step_ms(here: list[tuple[str, int, int]], interval_ms: int) -> int:
    for kind, _, choice in here:
        if kind == "step":
            return max(0, STEPS_MS[choice % len(STEPS_MS)])
    return interval_ms


def empty_sockets(payload: Record, seq: int, deviations: list[tuple[str, int, int, int]]) -> None:
    for kind, index, socket, choice in deviations:
        if kind == "null" and index <= seq <= index + choice % 12:
            payload["reads"][socket - 1] = payload["errors"][socket - 1] = None
    for kind, index, socket, choice in deviations:
        if kind == "short lists" and index <= seq <= index + choice % 3:
            payload["reads"], payload["errors"] = payload["reads"][:socket], payload["errors"][:socket]


def fail(where: Record, socket: int, choice: int, errors: list[int], messages: list[Record]) -> None:
    """Failed reads of a socket within the interval of `where`, in the counters and in messages, or in one of them."""
    ups, reads, seq, interval_ms = where["ups"], where["reads"], where["seq"], where["interval_ms"]
    mode = ERROR_MODES[choice % len(ERROR_MODES)]
    odd = choice // len(ERROR_MODES) % 2
    share = 1 + choice % 7  # in sevenths of the interval
    up = ups[0] + max(1, (ups[1] - ups[0]) * share // 7)
    index = max(1, reads[0] + (reads[1] - reads[0]) * share // 7)
    count = 1 + choice // 24
    if mode == "message on the edge":
        up, index = (ups[0], max(1, reads[0])) if odd else (ups[1], max(1, reads[1]))
    elif mode == "odd index":
        index = 1 if odd else reads[1] + 777
    up += {"message early": -interval_ms, "message late": interval_ms}.get(mode, 0)
    if mode != "message only":
        errors[socket - 1] += 2 * count if mode in ("both twice", "messages swapped") else count
    if mode == "counter only":
        return
    at = {"message much later": seq + 1.5 + choice % 5, "both twice": seq + 0.3}.get(mode, seq - 0.3)
    payload = {
        "v": 1, "boot": where["boot"], "n": 0, "t_ms": START_MS + up, "up_ms": max(0, up), "socket": socket,
        "address": 16 * choice + socket, "expected": "00ff", "observed": "00fe", "read_index": index, "count": count,
    }  # fmt: skip
    messages.append({"at": at, "kind": "error", "payload": payload})
    if mode in ("both twice", "messages swapped"):
        second = copy.deepcopy(payload)
        second["read_index"] += 1
        second["address"] += 1
        second["up_ms"] += 0 if odd else 3
        messages.append(
            {"at": at - 0.1 if mode == "messages swapped" else at + 0.1, "kind": "error", "payload": second}
        )


def number_messages(messages: list[Record]) -> None:
    """`n` follows the order in which they were made, whatever the order of their arrival."""
    for n, item in enumerate(messages):
        item["payload"]["n"] = n


# ---------------------------------------------------------------- how messages arrive


def arrive(items: list[Record], arrivals: list[tuple[str, int, int, int]]) -> list[Record]:
    kept = sorted(items, key=lambda item: item["at"])
    result = list(kept)
    for kind, index, socket, choice in arrivals:
        item = kept[index % len(kept)]
        if kind == "drop":
            result = [other for other in result if other is not item]
        elif kind == "delay":
            item["at"] += 1.5 + choice % 4
        elif kind == "far delay":
            item["at"] += 4.5 + choice
        elif kind == "early":
            item["at"] -= 1.5 + choice % 9
        else:
            copied = copy.deepcopy(item)
            copied["at"] += choice % 7 + 0.05
            if kind == "changed":
                change(copied["payload"], socket, choice)
            result.append(copied)
    return result


def change(payload: Record, socket: int, choice: int) -> None:
    """The same identity with other content, or with the same content written otherwise."""
    if choice % 4 == 0:
        payload["note"] = "a field the contract does not know"
    elif "seq" in payload:
        if choice % 4 == 1 and payload["temp_c"] is not None:
            payload["temp_c"] = payload["temp_c"] + 10
        elif choice % 4 == 2 and payload["reads"] and payload["reads"][0] is not None:
            payload["errors"][0] += 1
        else:
            payload["t_ms"] += 1
    elif choice % 4 == 1:
        payload["socket"] = socket
    else:
        payload["count"] += 1


@st.composite
def others(draw: st.DrawFn, boards: list[tuple[str, int]], end: float) -> list[Record]:
    """Presence of known racks, and strangers: by rack, by board, by socket."""
    rack, board = boards[0]
    presence = {"v": 1, "online": True, "boot": f"{rack}-boot-0", "t_ms": START_MS, "boards": [board]}
    tally = {
        "v": 1, "boot": "strange", "seq": 0, "t_ms": START_MS, "up_ms": 5, "temp_c": None, "supply_v": None,
        "reads": [1], "errors": [1],
    }  # fmt: skip
    error = {
        "v": 1, "boot": f"{rack}-boot-0", "n": 0, "t_ms": START_MS, "up_ms": 5, "socket": 200, "address": 1,
        "expected": "0", "observed": "1", "read_index": 1, "count": 1,
    }  # fmt: skip
    choices = [
        (f"{rack}/presence", presence),
        ("oven-9/presence", presence),
        (f"{rack}/77/tally", tally),
        (f"oven-9/{board}/tally", tally),
        (f"{rack}/{board}/error", error),
        (f"{rack}/77/error", {**error, "socket": 1}),
    ]
    chosen = draw(st.lists(st.tuples(st.sampled_from(range(len(choices))), st.integers(0, 60)), max_size=3))
    return [
        {
            "at": min(place, end) + 0.01,
            "topic": choices[which][0],
            "payload": copy.deepcopy(choices[which][1]),
        }
        for which, place in chosen
    ]
