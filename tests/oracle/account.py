"""The account of a run, worked out slowly and plainly: an oracle for tests, not part of the product.

Written from the project's pages "figures" and "wire contract" alone. Clarity comes before speed: every accepted
message, every folded step and every judged piece of every chip is kept, and the figures are sums made at the end.
Measured numbers and limits are compared as the decimals written (`Fraction` of the shortest text of the number).

The words used below:

- **stream**: one boot of one board. It folds tallies in order of `seq`.
- **step**: what one folded tally closes: `(lo, hi]` on the stream's `up_ms`. A *pair* is an interval of the page and
  may be credited. The first tally of a boot and a tally that opens the account anew make a step that credits nothing.
- **piece**: what one pair gave one chip: milliseconds, reads, and the reason if it was not credited.
- **state** of a chip: `at risk`; `pending` (failed by message, the step with the instant not folded yet);
  `closed` (failed, and nothing more is taken).
"""

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

Record = dict[str, Any]
Entry = tuple[int, str, Record]

REASONS = ("counter", "unwitnessed", "temperature", "supply", "not_reading")
LONGEST_MS = 744 * 3_600_000
OTHERS_WAITING = 16
BOLTZMANN_EV_PER_K = 8.617333262e-5  # CODATA 2018 and 2022
TALLY_FIELDS = ("v", "boot", "seq", "t_ms", "up_ms", "temp_c", "supply_v", "reads", "errors")
ERROR_FIELDS = (
    "v", "boot", "n", "t_ms", "up_ms", "socket", "address", "expected", "observed", "read_index", "count",
)  # fmt: skip


def account(campaign: Record, entries: Iterable[Entry], dispositions: Sequence[Record] = ()) -> Record:
    """The figures of `entries`, (t_recv_ms, topic, payload) in order of arrival, under the parsed campaign file.

    `campaign["chips_expanded"]` lists {rack, board, socket, serial, lot}. `dispositions` are {serial, class, ...} in
    order. Durations of the result are milliseconds.
    """
    world = new_world(campaign)
    for _, topic, payload in entries:
        take(world, topic, payload)
    return summary(world, dispositions)


# ---------------------------------------------------------------- the campaign


def exact(number: float) -> Fraction:
    """The decimal that was written, for an int or a float (`str` of a float is its shortest text)."""
    return Fraction(str(number))


def new_world(campaign: Record) -> Record:
    stress, failure = campaign["stress"], campaign.get("failure", {})
    interval_s = exact(stress["report_interval_s"])
    limits = {
        "temp_low": exact(stress["temp_c"]) - exact(stress["temp_tol_minus_c"]),
        "temp_high": exact(stress["temp_c"]) + exact(stress["temp_tol_plus_c"]),
        "supply_low": exact(stress["supply_v"]) - exact(stress["supply_tol_v"]),
        "supply_high": exact(stress["supply_v"]) + exact(stress["supply_tol_v"]),
        "reads_per_ms": exact(stress["read_rate_hz"]) / 1000,
        "min_fraction": exact(stress.get("min_read_fraction", 0.9)),
        "max_fraction": exact(stress.get("max_read_fraction", 1.1)),
        "gap_ms": 1000 * (exact(stress["max_gap_s"]) if "max_gap_s" in stress else 3 * interval_s),
        "bridge_ms": 1000 * exact(stress.get("bridge_gap_s", 0)),
        "hold_ms": 1000 * exact(stress.get("reorder_hold_s", 60)),
        "criterion": failure.get("errors", 1),
        "cause_chips": failure.get("common_cause_chips", 3),
        "cause_ms": 1000 * exact(failure.get("common_cause_s", 60)),
    }
    chips = {}
    for place in campaign["chips_expanded"]:
        chips[place["rack"], place["board"], place["socket"]] = {
            **place, "state": "at risk", "failure": None, "closing": None, "closing_piece": None,
            "messages": [], "advances": [], "pieces": [], "disagreed": False,
        }  # fmt: skip
    counts = ("accepted", "duplicates", "conflicts", "late", "gaps", "strangers", "counter_faults")
    return {
        "campaign": campaign,
        "prefix": campaign.get("intake", {}).get("prefix", "lifebound"),
        "limits": limits,
        "chips": chips,
        "boots": {},  # (rack, board) -> its streams, oldest first
        "known": {},  # identity -> the first content that came with it
        "intake": dict.fromkeys(counts, 0),
    }


# ---------------------------------------------------------------- arrival of one message


def take(world: Record, topic: str, payload: Record) -> None:
    intake = world["intake"]
    place = told_by_topic(world, topic)
    if place is None:
        intake["strangers"] += 1
        return
    rack, board, kind = place
    if kind == "presence":
        intake["accepted"] += 1
        return
    if kind == "error" and (rack, board, payload["socket"]) not in world["chips"]:
        intake["strangers"] += 1
        return
    fields, number = (TALLY_FIELDS, "seq") if kind == "tally" else (ERROR_FIELDS, "n")
    identity = (rack, board, kind, payload["boot"], payload[number])
    content = {name: payload[name] for name in fields}
    if identity in world["known"]:
        intake["duplicates" if world["known"][identity] == content else "conflicts"] += 1
        return
    world["known"][identity] = content
    intake["accepted"] += 1
    stream = stream_of(world, rack, board, payload["boot"])
    if kind == "tally":
        take_tally(world, stream, content)
    else:
        take_error(world, world["chips"][rack, board, payload["socket"]], stream, content)


def told_by_topic(world: Record, topic: str) -> tuple[str, int | None, str] | None:
    """(rack, board, kind) of a topic the campaign names, None for a stranger's."""
    start = world["prefix"] + "/"
    if not topic.startswith(start):
        return None
    words = topic[len(start) :].split("/")
    for rack, board, _ in world["chips"]:
        if words == [rack, "presence"]:
            return rack, None, "presence"
        for kind in ("tally", "error"):
            if words == [rack, str(board), kind]:
                return rack, board, kind
    return None


def stream_of(world: Record, rack: str, board: int, boot: str) -> Record:
    """The stream of a boot; boots are in order of their first accepted tally or error message."""
    streams = world["boots"].setdefault((rack, board), [])
    for stream in streams:
        if stream["boot"] == boot:
            return stream
    stream = {
        "rack": rack, "board": board, "boot": boot, "order": len(streams),
        "next_seq": 0, "waiting": {}, "clock": None, "low": None, "high": None, "edge_fired": False,
        "last": None, "fallen": set(), "known_errors": {}, "left_out": [], "steps": [],
    }  # fmt: skip
    streams.append(stream)
    return stream


# ---------------------------------------------------------------- waiting and reordering


def take_tally(world: Record, stream: Record, tally: Record) -> None:
    late = tally["seq"] < stream["next_seq"]
    last, up = stream["last"], tally["up_ms"]
    if last is None or up - last["up_ms"] <= LONGEST_MS:
        stream["clock"] = up if stream["clock"] is None else max(stream["clock"], up)
        if not late:
            widen_span(world, stream, up)
    if late:
        world["intake"]["late"] += 1
    else:
        stream["waiting"][tally["seq"]] = tally
    fold_what_is_due(world, stream)


def widen_span(world: Record, stream: Record, up: int) -> None:
    """The tally by which the span first reaches the hold folds what waits in every older boot, before itself."""
    stream["low"] = up if stream["low"] is None else min(stream["low"], up)
    stream["high"] = up if stream["high"] is None else max(stream["high"], up)
    if stream["edge_fired"] or stream["high"] - stream["low"] < world["limits"]["hold_ms"]:
        return
    stream["edge_fired"] = True
    for older in world["boots"][stream["rack"], stream["board"]][: stream["order"]]:
        while older["waiting"]:
            fold_lowest(world, older)


def fold_what_is_due(world: Record, stream: Record) -> None:
    waiting = stream["waiting"]
    while waiting:
        lowest = waiting[min(waiting)]
        next_one = lowest["seq"] == stream["next_seq"]
        held = stream["clock"] is not None and (
            stream["clock"] - lowest["up_ms"] >= world["limits"]["hold_ms"]
        )
        crowded = len(waiting) - 1 >= OTHERS_WAITING
        if not (next_one or held or crowded):
            return
        fold_lowest(world, stream)


def fold_lowest(world: Record, stream: Record) -> None:
    tally = stream["waiting"].pop(min(stream["waiting"]))
    if tally["seq"] != stream["next_seq"]:
        world["intake"]["gaps"] += 1
    stream["next_seq"] = tally["seq"] + 1
    fold(world, stream, tally)


# ---------------------------------------------------------------- folding one tally


def fold(world: Record, stream: Record, tally: Record) -> None:
    last = stream["last"]
    if last is None:
        close_step(world, stream, tally, pair=False)
    elif rises(last, tally):
        if counter_fault(world, stream, tally):
            world["intake"]["counter_faults"] += 1
        close_step(world, stream, tally, pair=True)
    else:
        world["intake"]["counter_faults"] += 1
        stream["left_out"].append(tally)
        if opens_anew(stream["left_out"]):
            up = tally["up_ms"]
            stream.update(clock=up, low=up, high=up, edge_fired=False)
            close_step(world, stream, tally, pair=False)


def rises(a: Record, b: Record) -> bool:
    return 0 < b["up_ms"] - a["up_ms"] <= LONGEST_MS


def opens_anew(left_out: list[Record]) -> bool:
    if len(left_out) < 3:
        return False
    first, second, third = left_out[-3:]
    return rises(first, second) and rises(second, third)


def close_step(world: Record, stream: Record, b: Record, pair: bool) -> None:
    """Fold `b` onto the last good tally: `pair` is an interval, otherwise `b` opens the account and credits nothing."""
    a = stream["last"]
    if a is None or b["up_ms"] <= a["up_ms"]:
        stream["steps"] = []  # up_ms starts again: what came before is no place for an instant any more
        low = -math.inf
    else:
        low = a["up_ms"]
    step = {
        "stream": stream, "lo": low, "hi": b["up_ms"], "a": a, "b": b, "pair": pair, "signs": {},
    }  # fmt: skip
    stream["steps"].append(step)
    chips = [
        c for c in world["chips"].values() if (c["rack"], c["board"]) == (stream["rack"], stream["board"])
    ]
    for chip in chips:
        fold_chip(world, chip, step)
    stream["fallen"] = {c["socket"] for c in chips if pair and fell(a, b, c["socket"])}
    for chip in chips:
        errors = counter(b, "errors", chip["socket"])
        if errors is not None:
            stream["known_errors"][chip["socket"]] = errors
    stream["last"] = b
    stream["left_out"] = []


def counter(tally: Record, name: str, socket: int) -> int | None:
    """The socket's counter; None for an empty socket and for one that the list does not reach."""
    values = tally[name]
    return values[socket - 1] if socket <= len(values) else None


def fell(a: Record, b: Record, socket: int) -> bool:
    for name in ("reads", "errors"):
        before, after = counter(a, name, socket), counter(b, name, socket)
        if before is not None and after is not None and after < before:
            return True
    return False


def advance_of_reads(a: Record, b: Record, socket: int) -> int | None:
    before, after = counter(a, "reads", socket), counter(b, "reads", socket)
    return None if before is None or after is None else after - before


def beyond_the_rack(world: Record, a: Record, b: Record, socket: int) -> bool:
    limits, advance = world["limits"], advance_of_reads(a, b, socket)
    most = limits["max_fraction"] * limits["reads_per_ms"] * (b["up_ms"] - a["up_ms"])
    return advance is not None and advance > most


def counter_fault(world: Record, stream: Record, b: Record) -> bool:
    a = stream["last"]
    return any(
        fell(a, b, socket) or beyond_the_rack(world, a, b, socket)
        for rack, board, socket in world["chips"]
        if (rack, board) == (stream["rack"], stream["board"])
    )


def reason_against(world: Record, chip: Record, step: Record) -> str | None:
    """The first reason of the page against crediting a pair, None when there is none."""
    limits, a, b, socket = world["limits"], step["a"], step["b"], chip["socket"]
    dt = b["up_ms"] - a["up_ms"]
    advance = advance_of_reads(a, b, socket)
    changed_places = (counter(a, "reads", socket) is None) != (counter(b, "reads", socket) is None)
    had_fallen = socket in step["stream"]["fallen"]
    if fell(a, b, socket) or had_fallen or changed_places or beyond_the_rack(world, a, b, socket):
        return "counter"
    if dt > limits["gap_ms"] and dt > limits["bridge_ms"]:
        return "unwitnessed"
    if not all(within(t["temp_c"], limits["temp_low"], limits["temp_high"]) for t in (a, b)):
        return "temperature"
    if not all(within(t["supply_v"], limits["supply_low"], limits["supply_high"]) for t in (a, b)):
        return "supply"
    if advance is None or advance < limits["min_fraction"] * limits["reads_per_ms"] * dt:
        return "not_reading"
    return None


def within(measured: float | None, low: Fraction, high: Fraction) -> bool:
    return measured is not None and low <= exact(measured) <= high


# ---------------------------------------------------------------- one chip in one step


def fold_chip(world: Record, chip: Record, step: Record) -> None:
    stream = step["stream"]
    criterion = world["limits"]["criterion"]
    own_boot = chip["state"] == "pending" and chip["failure"]["stream"] is stream
    open_here = chip["state"] == "at risk" or own_boot

    before = sum(number for number, _ in chip["advances"])
    chip["advances"].append((advance_of_errors(chip, step), open_here))
    after = sum(number for number, _ in chip["advances"])
    step["signs"][chip["serial"]] = after >= criterion
    shown_here = before < criterion <= after

    piece = new_piece(world, chip, step) if step["pair"] and open_here else None
    if chip["state"] == "at risk":
        if shown_here:
            fail_by_tally(chip, step, piece)
    elif own_boot and chip["failure"]["up_ms"] <= step["hi"]:
        if after < criterion:
            chip["disagreed"] = True
        close(chip, step, piece)
    elif chip["state"] == "pending" and shown_here and stream["order"] <= chip["failure"]["stream"]["order"]:
        # the counters' interval is the earlier one: before the instant in its own boot, or anywhere in an older boot
        fail_by_tally(chip, step, piece)


def advance_of_errors(chip: Record, step: Record) -> int:
    """From the last number of this socket in this boot, or from zero; a fall advances nothing."""
    now = counter(step["b"], "errors", chip["socket"])
    if now is None:
        return 0
    return max(0, now - step["stream"]["known_errors"].get(chip["socket"], 0))


def new_piece(world: Record, chip: Record, step: Record) -> Record:
    a, b = step["a"], step["b"]
    piece = {
        "reason": reason_against(world, chip, step),
        "ms": b["up_ms"] - a["up_ms"],
        "reads": advance_of_reads(a, b, chip["socket"]) or 0,
        "a": a,
        "b": b,
    }
    chip["pieces"].append(piece)
    return piece


def fail_by_tally(chip: Record, step: Record, piece: Record | None) -> None:
    a = step["a"]
    chip["failure"] = {
        "stream": step["stream"],
        "up_ms": 0 if a is None else a["up_ms"],
        "t_ms": None if a is None else a["t_ms"],
        "address": None,
        "reads": 0 if a is None else counter(a, "reads", chip["socket"]) or 0,
    }
    close(chip, step, piece)


def close(chip: Record, step: Record, piece: Record | None) -> None:
    chip.update(state="closed", closing=step, closing_piece=piece)
    cut_at_instant(chip)


def cut_at_instant(chip: Record) -> None:
    """Hours and reads of the closing piece stop at the instant; never more reads than the tallies show."""
    piece, instant = chip["closing_piece"], chip["failure"]
    if piece is None:
        return
    piece["ms"] = instant["up_ms"] - piece["a"]["up_ms"]
    whole = advance_of_reads(piece["a"], piece["b"], chip["socket"])
    if whole is None:
        piece["reads"] = 0
    else:
        piece["reads"] = min(
            max(0, whole), max(0, instant["reads"] - counter(piece["a"], "reads", chip["socket"]))
        )


# ---------------------------------------------------------------- one error message


def take_error(world: Record, chip: Record, stream: Record, message: Record) -> None:
    chip["messages"].append((stream, message))
    instant = instant_by_messages(chip, world["limits"]["criterion"])
    if instant is None:
        return
    step = folded_step(instant)
    clean = step is not None and not step["signs"][chip["serial"]]
    if chip["state"] == "closed":
        follow_message(chip, instant, clean)
        return
    chip["failure"] = instant
    chip["state"] = "pending" if step is None else "closed"
    if clean:
        chip["disagreed"] = True


def instant_by_messages(chip: Record, criterion: int) -> Record | None:
    """Where the sum of counts, in order of boots and of `n` over the messages known so far, reaches the criterion."""
    total = 0
    for stream, message in sorted(chip["messages"], key=lambda m: (m[0]["order"], m[1]["n"])):
        total += message["count"]
        if total >= criterion:
            return {
                "stream": stream,
                "up_ms": message["up_ms"],
                "t_ms": message["t_ms"],
                "address": message["address"],
                "reads": message["read_index"],
            }
    return None


def folded_step(instant: Record) -> Record | None:
    for step in instant["stream"]["steps"]:
        if step["lo"] < instant["up_ms"] <= step["hi"]:
            return step
    return None


def follow_message(chip: Record, instant: Record, clean: bool) -> None:
    """A message for a chip whose account is closed: only the closing interval may follow it."""
    closing = chip["closing"]
    if closing is not None:
        same_boot = closing["stream"] is instant["stream"]
        if same_boot and closing["lo"] < instant["up_ms"] <= closing["hi"]:
            chip["failure"] = instant
            cut_at_instant(chip)
            return
    if clean:
        chip["disagreed"] = True
    counters_stand = closing is not None and closing["signs"][chip["serial"]]
    if not counters_stand:
        chip["failure"] = instant  # the record follows the messages; no credit is given or taken back


# ---------------------------------------------------------------- the figures


def summary(world: Record, dispositions: Sequence[Record]) -> Record:
    chips = list(world["chips"].values())
    last_class = {entry["serial"]: entry["class"] for entry in dispositions}
    failed = [c for c in chips if c["failure"] is not None]
    out = [c for c in failed if last_class.get(c["serial"]) == "not-relevant"]
    streams = [stream for board in world["boots"].values() for stream in board]
    return {
        "chips": {
            "loaded": len(chips),
            "at_risk": len(chips) - len(failed),
            "failed": len(failed) - len(out),
            "not_relevant": len(out),
        },
        "per_chip": {c["serial"]: figures_of(world, c) for c in chips},
        "incidents": incidents(world, failed),
        "intake": {
            **world["intake"],
            "waiting": sum(len(stream["waiting"]) for stream in streams),
            "disagreements": sum(c["disagreed"] for c in chips),
        },
    }


def figures_of(world: Record, chip: Record) -> Record:
    pieces, failure = chip["pieces"], chip["failure"]
    credited = [p for p in pieces if p["reason"] is None]
    return {
        "credited_ms": sum(p["ms"] for p in credited),
        "uncredited_ms": {r: sum(p["ms"] for p in pieces if p["reason"] == r) for r in REASONS},
        "reads_total": sum(p["reads"] for p in pieces if p["reason"] != "counter"),
        "reads_credited": sum(p["reads"] for p in credited),
        "errors": sum(number for number, _ in chip["advances"]),
        "errors_at_risk": sum(number for number, at_risk in chip["advances"] if at_risk),
        "failed": None
        if failure is None
        else {
            "boot": failure["stream"]["boot"],
            "up_ms": failure["up_ms"],
            "t_ms": failure["t_ms"],
            "address": failure["address"],
        },
        "equivalent_ms": {
            m["name"]: math.fsum(p["ms"] * weight(world["campaign"], m, p) for p in credited)
            for m in world["campaign"].get("mechanism", [])
        },
    }


def weight(campaign: Record, mechanism: Record, piece: Record) -> float:
    stress, (a, b) = campaign["stress"], (piece["a"], piece["b"])
    if stress.get("accelerate_at", "measured") == "setpoint":
        return acceleration(campaign, mechanism, stress["temp_c"], stress["supply_v"])
    temp_c = float((exact(a["temp_c"]) + exact(b["temp_c"])) / 2)
    supply_v = float((exact(a["supply_v"]) + exact(b["supply_v"])) / 2)
    return acceleration(campaign, mechanism, temp_c, supply_v)


def acceleration(campaign: Record, mechanism: Record, temp_c: float, supply_v: float) -> float:
    """Hours of use, over the whole profile, that one hour at `temp_c` (measured) and `supply_v` stands for."""
    use, heating_c = campaign["use"], campaign["stress"].get("self_heating_c", 0)
    hours_at_stress_per_hour_of_use = math.fsum(
        line["share"]
        / acceleration_of_line(
            mechanism,
            line["temp_c"] + line.get("self_heating_c", heating_c) + 273.15,
            temp_c + heating_c + 273.15,
            line.get("supply_v", use.get("supply_v")),
            supply_v,
        )
        for line in use["profile"]
    )
    return 1 / hours_at_stress_per_hour_of_use


def acceleration_of_line(
    mechanism: Record, use_k: float, stress_k: float, use_v: float | None, stress_v: float
) -> float:
    factor = math.exp(mechanism["ea_ev"] / BOLTZMANN_EV_PER_K * (1 / use_k - 1 / stress_k))
    if use_v is None:
        return factor
    if "gamma_per_v" in mechanism:
        factor *= math.exp(mechanism["gamma_per_v"] * (stress_v - use_v))
    if "voltage_exponent" in mechanism:
        factor *= (stress_v / use_v) ** mechanism["voltage_exponent"]
    return factor


def incidents(world: Record, failed: list[Record]) -> list[Record]:
    """Groups of chips of one board and boot, each within the limit of its own earliest failure."""
    found = []
    for (rack, board), streams in sorted(world["boots"].items()):
        for stream in streams:
            here = [c for c in failed if c["failure"]["stream"] is stream]
            here.sort(key=lambda c: (c["failure"]["up_ms"], c["serial"]))
            while here:
                earliest = here[0]["failure"]["up_ms"]
                group = [c for c in here if c["failure"]["up_ms"] - earliest <= world["limits"]["cause_ms"]]
                enough = len(group) >= world["limits"]["cause_chips"]
                if enough:
                    found.append(
                        {"rack": rack, "board": board, "serials": sorted(c["serial"] for c in group)}
                    )
                here = here[len(group) if enough else 1 :]
    return found
