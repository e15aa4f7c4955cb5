"""Hand-worked checks of the oracle: small runs whose figures are in the comment beside them.

The usual rack of these runs reads 100 times a second and reports every 10 s: a full interval is 10 s and 1000 reads,
900 reads are the least and 1100 the most. Tally `seq` is at `up_ms = 10 s x (seq + 1)` with 1000 x (seq + 1) reads
unless a case says otherwise. Limits: 123 .. 130 °C, 1.94 .. 2.02 V, gap 30 s, reorder hold 60 s. All data invented.
"""

import copy
import itertools

import pytest
from hypothesis import given, settings

from tests.oracle.account import account
from tests.oracle.generate import runs

RACK = "oven-1"
HOURS_744_S = 744 * 3600


def campaign(sockets=2, boards=(1,), **stress):
    chips = [
        {"rack": RACK, "board": board, "socket": socket, "serial": f"S{board}{socket}", "lot": "A"}
        for board in boards
        for socket in range(1, sockets + 1)
    ]
    return {
        "campaign": {"id": "invented"},
        "stress": {
            "temp_c": 125.0,
            "temp_tol_minus_c": 2.0,
            "temp_tol_plus_c": 5.0,
            "supply_v": 1.98,
            "supply_tol_v": 0.04,
            "read_rate_hz": 100,
            "report_interval_s": 10,
            **stress,
        },
        "use": {"supply_v": 1.8, "profile": [{"share": 1.0, "temp_c": 55.0}]},
        "mechanism": [{"name": "loss", "ea_ev": 0.7}],
        "chips_expanded": chips,
    }


def criterion(number, **more):
    return {**campaign(**more), "failure": {"errors": number}}


def tally(
    seq, up_s=None, reads=None, *, errors=None, boot="b1", temp_c=125.0, supply_v=1.98, board=1, sockets=2
):
    up_s = 10 * (seq + 1) if up_s is None else up_s
    reads = 1000 * (seq + 1) if reads is None else reads
    payload = {
        "v": 1,
        "boot": boot,
        "seq": seq,
        "t_ms": 1_000_000 + int(up_s * 1000),
        "up_ms": int(up_s * 1000),
        "temp_c": temp_c,
        "supply_v": supply_v,
        "reads": reads if isinstance(reads, list) else [reads] * sockets,
        "errors": errors if errors is not None else [0] * sockets,
    }
    return (0, f"lifebound/{RACK}/{board}/tally", payload)


def error(n, up_s, read_index, *, socket=1, count=1, boot="b1", board=1):
    payload = {
        "v": 1,
        "boot": boot,
        "n": n,
        "t_ms": 1_000_000 + int(up_s * 1000),
        "up_ms": int(up_s * 1000),
        "socket": socket,
        "address": 4096 + n,
        "expected": "ff",
        "observed": "fe",
        "read_index": read_index,
        "count": count,
    }
    return (0, f"lifebound/{RACK}/{board}/error", payload)


def chip(result, serial="S11"):
    return result["per_chip"][serial]


def credited_s(result, serial="S11"):
    return chip(result, serial)["credited_ms"] / 1000


def uncredited_s(result, serial="S11"):
    return {k: v / 1000 for k, v in chip(result, serial)["uncredited_ms"].items() if v}


def failed_at(result, serial="S11"):
    failed = chip(result, serial)["failed"]
    return failed and (failed["boot"], failed["up_ms"] / 1000)


def run(entries, camp=None):
    return account(camp or campaign(), entries)


# ------------------------------------------------------------------ credit of an interval


def test_first_tally_credits_nothing_and_each_next_one_its_interval():
    # first at 10 s opens; 10..20 and 20..30 s credit 20 s and 2000 reads; the first 1000 reads are in no figure
    result = run([tally(0), tally(1), tally(2)])
    assert credited_s(result) == 20
    assert uncredited_s(result) == {}
    assert (chip(result)["reads_total"], chip(result)["reads_credited"]) == (2000, 2000)
    assert result["chips"] == {"loaded": 2, "at_risk": 2, "failed": 0, "not_relevant": 0}
    assert result["intake"] == {
        "accepted": 3, "duplicates": 0, "conflicts": 0, "late": 0, "gaps": 0, "strangers": 0,
        "counter_faults": 0, "waiting": 0, "disagreements": 0,
    }  # fmt: skip


def test_limits_are_inclusive_and_decimal():
    # 1.98 + 0.04 = 2.02 and 1.98 - 0.04 = 1.94 as written; 125 + 5 and 125 - 2 likewise: three good intervals
    inside = [tally(0, supply_v=2.02), tally(1, supply_v=1.94), tally(2, temp_c=130), tally(3, temp_c=123.0)]
    assert credited_s(run(inside)) == 30
    # in binary the distances are a little more than the tolerance: 2.02 - 1.98 and 1.98 - 1.94 exceed 0.04
    assert 2.02 - 1.98 > 0.04
    assert 1.98 - 1.94 > 0.04


def test_temperature_of_either_end():
    # 10..20 (b hot), 20..30 (a hot), 30..40 good, 40..50 (b without a sensor), 50..60 (a without)
    temps = [125.0, 130.01, 125.0, 125.0, None, 125.0]
    result = run([tally(seq, temp_c=t) for seq, t in enumerate(temps)])
    assert credited_s(result) == 10
    assert uncredited_s(result) == {"temperature": 40}
    # reads go on counting in the total (5 x 1000), and are credited in the good interval only
    assert (chip(result)["reads_total"], chip(result)["reads_credited"]) == (5000, 1000)


def test_supply_comes_after_temperature():
    # first interval: supply only; second: both are wrong in the tally at 30 s, temperature is named first
    result = run([tally(0, supply_v=1.939), tally(1), tally(2, temp_c=122.9, supply_v=None)])
    assert uncredited_s(result) == {"supply": 10, "temperature": 10}


def test_reading_fractions_are_inclusive():
    # advances 900 (>= 0.9 x 1000), 899, 1100 (<= 1.1 x 1000), 1101
    ups = [1000, 1900, 2799, 3899, 5000]
    result = run([tally(seq, reads=reads) for seq, reads in enumerate(ups)])
    assert credited_s(result) == 20
    assert uncredited_s(result) == {"not_reading": 10, "counter": 10}
    # the 1101 are in no figure: total 900 + 899 + 1100
    assert (chip(result)["reads_total"], chip(result)["reads_credited"]) == (2899, 2000)
    assert result["intake"]["counter_faults"] == 1


def test_one_silent_socket_is_not_reading_alone():
    # socket 1 stands still at 1000; socket 2 reads on
    result = run([tally(0), tally(1, reads=[1000, 2000])])
    assert uncredited_s(result, "S11") == {"not_reading": 10}
    assert credited_s(result, "S12") == 10


def test_counter_fall_spoils_both_intervals_and_is_one_fault():
    # reads 1000 2000 500 1500 2500: 20..30 fell in b, 30..40 had fallen in a, 40..50 is good again; 10..20 was good
    reads = [1000, 2000, 500, 1500, 2500]
    result = run([tally(seq, reads=[r, 1000 * (seq + 1)]) for seq, r in enumerate(reads)])
    assert credited_s(result) == 20
    assert uncredited_s(result) == {"counter": 20}
    assert chip(result)["reads_total"] == 2000
    assert credited_s(result, "S12") == 40
    assert result["intake"]["counter_faults"] == 1


def test_fall_of_errors_is_a_counter_fault_and_a_fall_of_two_chips_is_one():
    # criterion 9; errors 3 -> 1 in both sockets: one faulty tally; the advance is 3 from zero, then 0, then 1
    steps = [[3, 3], [1, 1], [2, 2]]
    result = run([tally(seq, errors=e) for seq, e in enumerate(steps)], criterion(9))
    assert result["intake"]["counter_faults"] == 1
    assert uncredited_s(result) == {"counter": 20}
    assert chip(result)["errors"] == 4


def test_errors_of_a_faulty_tally_count_all_the_same():
    # reads fall in the tally at 20 s, which also shows the first error: failed, instant 10 s, nothing lost or credited
    result = run([tally(0), tally(1, reads=[10, 2000], errors=[1, 0])])
    assert failed_at(result) == ("b1", 10)
    assert (chip(result)["errors"], chip(result)["errors_at_risk"]) == (1, 1)
    assert uncredited_s(result) == {}


def test_fall_of_a_failed_chip_is_still_a_counter_fault():
    result = run([tally(0, errors=[1, 0]), tally(1, reads=[10, 2000], errors=[1, 0])])
    assert failed_at(result) == ("b1", 0)
    assert result["intake"]["counter_faults"] == 1


def test_null_and_number_changing_places_is_counter_but_no_fault():
    # socket 1: number, null, null, number: counter, not_reading, counter
    reads = [[1000, 1000], [None, 2000], [None, 3000], [4000, 4000]]
    errors = [[0, 0], [None, 0], [None, 0], [0, 0]]
    result = run(
        [tally(seq, reads=r, errors=e) for seq, (r, e) in enumerate(zip(reads, errors, strict=True))]
    )
    assert uncredited_s(result) == {"counter": 20, "not_reading": 10}
    assert chip(result)["reads_total"] == 0
    assert credited_s(result, "S12") == 30
    assert result["intake"]["counter_faults"] == 0


def test_errors_behind_a_null_are_counted_from_the_last_number():
    # criterion 3: errors 1, null, 2: 1 from zero + 1 = 2, still at risk
    reads = [[1000, 1000], [None, 2000], [3000, 3000]]
    errors = [[1, 0], [None, 0], [2, 0]]
    entries = [tally(seq, reads=r, errors=e) for seq, (r, e) in enumerate(zip(reads, errors, strict=True))]
    result = run(entries, criterion(3))
    assert chip(result)["errors"] == 2
    assert failed_at(result) is None


def test_always_null_socket_and_a_list_too_short_are_not_reading():
    result = run([tally(s, reads=[1000 * (s + 1), None], errors=[0, None]) for s in range(2)])
    assert uncredited_s(result, "S12") == {"not_reading": 10}
    assert uncredited_s(run([tally(0, sockets=1), tally(1, sockets=1)]), "S12") == {"not_reading": 10}


def test_gap_is_unwitnessed_over_three_report_intervals():
    # 10..40 s is exactly 30 s: good. 40..70.001 s is over. seq is without a hole, so no gap is counted
    result = run([tally(0), tally(1, 40, 4000), tally(2, 70.001, 7000)])
    assert credited_s(result) == 30
    assert uncredited_s(result) == {"unwitnessed": 30.001}
    assert result["intake"]["gaps"] == 0


def test_bridge_gap_bridges_up_to_itself():
    # 30.001 s and 40 s are bridged (40 >= dt), 40.001 s is not
    entries = [tally(0), tally(1, 40.001, 4000), tally(2, 80.001, 8000), tally(3, 120.002, 12000)]
    result = run(entries, campaign(bridge_gap_s=40))
    assert credited_s(result) == 70.001
    assert uncredited_s(result) == {"unwitnessed": 40.001}


def test_order_of_reasons():
    # everything wrong at once: counter; then the same without the counter: unwitnessed; then temperature
    bad = {"temp_c": None, "supply_v": None}
    assert uncredited_s(run([tally(0), tally(1, 60, 900, **bad)])) == {"counter": 50}
    assert uncredited_s(run([tally(0), tally(1, 60, 1000, **bad)])) == {"unwitnessed": 50}
    assert uncredited_s(run([tally(0), tally(1, 20, 1000, **bad)])) == {"temperature": 10}
    assert uncredited_s(run([tally(0), tally(1, 20, 1000, supply_v=None)])) == {"supply": 10}


# ------------------------------------------------------------------ reordering


def test_swapped_tallies_wait_and_are_folded_in_order():
    result = run([tally(0), tally(2), tally(1)])
    assert credited_s(result) == 20
    assert (result["intake"]["gaps"], result["intake"]["late"], result["intake"]["waiting"]) == (0, 0, 0)


def test_gap_by_hold_is_inclusive():
    # seq 1 missing; seq 2 (30 s) waits; seq 7 (80 s) is 50 s past; seq 8 (90 s) is 60 s past: folded 2..8
    entries = [tally(0)] + [tally(seq) for seq in range(2, 8)]
    before = run(entries)
    assert (before["intake"]["waiting"], before["intake"]["gaps"], credited_s(before)) == (6, 0, 0)
    after = run([*entries, tally(8)])
    # 10..30 s is one interval of 20 s and 2000 reads: credited; up to 90 s
    assert (after["intake"]["waiting"], after["intake"]["gaps"], credited_s(after)) == (0, 1, 80)


def test_gap_by_sixteen_others():
    # reports a second apart so that the hold does not decide: seq 2 and 15 others wait; the 16th other accepts
    def fast(seq):
        return tally(seq, seq + 1, 100 * (seq + 1))

    entries = [fast(0)] + [fast(seq) for seq in range(2, 18)]  # 2 .. 17: one and 15 others
    assert run(entries, campaign(report_interval_s=1))["intake"]["waiting"] == 16
    result = run([*entries, fast(18)], campaign(report_interval_s=1))
    assert (result["intake"]["waiting"], result["intake"]["gaps"]) == (0, 1)
    assert credited_s(result) == 18  # 1 .. 19 s


def test_wide_gap_counts_once_and_a_second_gap_again():
    # 0, (1-3 missing), 4, (5 missing), 6 .. 13: 4 at 50 s is released at 110 s (seq 10); then 6 at 70 s at 130 s (12)
    entries = [tally(0), tally(4)] + [tally(seq) for seq in range(6, 12)]
    result = run(entries)
    assert (result["intake"]["gaps"], result["intake"]["waiting"]) == (1, 6)
    result = run([*entries, tally(12), tally(13)])
    # 10..50 s is 40 s: unwitnessed; 50..140 credited
    assert (result["intake"]["gaps"], result["intake"]["waiting"]) == (2, 0)
    assert (credited_s(result), uncredited_s(result)) == (90, {"unwitnessed": 40})


def test_first_arrival_above_zero_waits_like_any_other():
    # seq 3 at 40 s waits until 100 s (seq 9); then 3 opens the account, its 4000 reads in no figure
    entries = [tally(seq) for seq in range(3, 9)]
    assert run(entries)["intake"]["waiting"] == 6
    result = run([*entries, tally(9)])
    assert (result["intake"]["gaps"], credited_s(result), chip(result)["reads_total"]) == (1, 60, 6000)


def test_late_tally_is_accepted_counted_and_never_credited():
    # as by hold, then seq 1 comes: late. And once more: a duplicate
    entries = [tally(0)] + [tally(seq) for seq in range(2, 9)]
    result = run([*entries, tally(1), tally(1)])
    assert credited_s(result) == 80
    assert (result["intake"]["late"], result["intake"]["duplicates"], result["intake"]["accepted"]) == (
        1,
        1,
        9,
    )


def test_error_messages_do_not_advance_the_clock():
    # a message 190 s ahead: seq 2 goes on waiting
    result = run([tally(0), tally(2), error(0, 200, 20_000)])
    assert result["intake"]["waiting"] == 1


# ------------------------------------------------------------------ boots


def test_hours_between_boots_are_in_no_figure():
    # 10 s in b1 and 10 s in b2; errors are summed over boots: 1 + 1 reaches two in the first tally of b2: instant 0
    entries = [tally(0), tally(1, errors=[1, 0]), tally(0, boot="b2", errors=[1, 0]), tally(1, boot="b2")]
    result = run(entries, criterion(2))
    assert failed_at(result) == ("b2", 0)
    assert credited_s(result) == 10
    assert credited_s(result, "S12") == 20


def test_what_waits_in_an_older_boot_is_folded_when_the_newer_spans_the_hold():
    # b1: seq 0, and 2 waiting. b2: 10 s .. 60 s spans 50 s; the tally at 70 s spans 60 s and folds b1's waiting first
    older = [tally(0), tally(2)]
    newer = [tally(seq, boot="b2") for seq in range(7)]
    assert run(older + newer[:6])["intake"]["waiting"] == 1
    result = run(older + newer)
    assert (result["intake"]["waiting"], result["intake"]["gaps"]) == (0, 1)
    assert credited_s(result) == 20 + 60


def test_the_edge_of_the_newer_boot_fires_once():
    # b2 spans the hold before b1's seq 2 arrives: seq 2 waits to the end; b3 spanning the hold folds it
    entries = [tally(0)] + [tally(seq, boot="b2") for seq in range(7)]
    entries += [tally(2), *(tally(seq, boot="b2") for seq in range(7, 12))]
    assert run(entries)["intake"]["waiting"] == 1
    entries += [tally(seq, boot="b3") for seq in range(7)]
    assert run(entries)["intake"]["waiting"] == 0


def test_the_edge_fires_again_after_the_account_was_opened_anew():
    # b2 has fired when b1's seq 2 arrives and waits; b2 then falls to 1, 2, 3 s, opens anew, and spans 60 s at 63 s
    entries = [tally(0)] + [tally(seq, boot="b2") for seq in range(7)]
    entries += [tally(2), *(tally(6 + k, k, 100 * k, boot="b2") for k in (1, 2, 3))]
    entries += [tally(10, 62.999, 6300, boot="b2")]
    assert run(entries)["intake"]["waiting"] == 1
    assert run([*entries, tally(11, 63, 6300, boot="b2")])["intake"]["waiting"] == 0


def test_older_boot_is_folded_before_the_very_tally():
    # criterion 2. b1's waiting seq 2 shows one error, b2's tally at 70 s the next: folded before it, so the second
    # error is b2's, instant 60 s in b2
    entries = [tally(0), tally(2, errors=[1, 0])]
    entries += [tally(seq, boot="b2") for seq in range(6)] + [tally(6, boot="b2", errors=[1, 0])]
    assert failed_at(run(entries, criterion(2))) == ("b2", 60)


def test_span_leaves_late_tallies_out():
    # b2 starts with seq 30 at 310 s; the 16 others accept its gap at 311.6 s (0.1 s apart); its late seq 0 at 10 s
    # would make the span 301.6 s; b1's seq 2 must go on waiting
    entries = [tally(0), tally(2)]
    entries += [tally(30 + k, 310 + k / 10, 31_000 + 10 * k, boot="b2") for k in range(17)]
    result = run([*entries, tally(0, boot="b2")])
    assert (result["intake"]["late"], result["intake"]["gaps"], result["intake"]["waiting"]) == (1, 1, 1)


def test_older_interval_folded_after_a_failure_in_a_newer_boot_is_not_credited():
    # S11 fails by message in b2 while b1's seq 2 waits; seq 1 then comes: 10..30 s of b1 goes to S12 only
    result = run([tally(0), tally(2), error(0, 5, 400, boot="b2"), tally(1)])
    assert (credited_s(result), uncredited_s(result)) == (0, {})
    assert chip(result)["reads_total"] == 0
    assert credited_s(result, "S12") == 20


def test_order_of_boots_may_come_from_an_error_message():
    # b2 is known first by its message, so b1 is the newer one; 60 s of b1 folds what waits in b2
    entries = [error(0, 5, 400, socket=2, boot="b2"), tally(1, boot="b2")]
    result = run(entries + [tally(seq) for seq in range(7)])
    assert (result["intake"]["waiting"], result["intake"]["gaps"]) == (0, 1)


# ------------------------------------------------------------------ counter faults of up_ms


def test_standing_or_falling_up_ms_is_left_out_and_the_next_is_paired_with_the_one_before():
    # seq 1 has dt = 0, seq 2 has dt < 0; seq 3 at 40 s pairs with seq 0: 30 s, 3000 reads
    result = run([tally(0), tally(1, 10), tally(2, 5), tally(3)])
    assert (result["intake"]["counter_faults"], credited_s(result)) == (2, 30)


def test_744_hours_are_a_long_interval_and_a_millisecond_more_is_a_fault():
    long = run([tally(0), tally(1, 10 + HOURS_744_S)])
    assert (long["intake"]["counter_faults"], uncredited_s(long)) == (0, {"unwitnessed": HOURS_744_S})
    fault = run([tally(0), tally(1, 10.001 + HOURS_744_S)])
    assert (fault["intake"]["counter_faults"], uncredited_s(fault)) == (1, {})


def test_three_left_out_open_the_account_anew():
    # up_ms restarts at 1 s after 20 s: 1, 5, 9 s are left out, the third opens; 9..19 s and 1000 reads are credited
    entries = [tally(0), tally(1), tally(2, 1, 100), tally(3, 5, 500), tally(4, 9, 900), tally(5, 19, 1900)]
    result = run(entries)
    assert result["intake"]["counter_faults"] == 3
    assert credited_s(result) == 20
    assert (chip(result)["reads_total"], uncredited_s(result)) == (2000, {})


def test_three_left_out_that_do_not_rise_open_nothing():
    # 9, 5, 7 s: 9 -> 5 falls. A fourth at 8 s: 5, 7, 8 rise, so it opens; 8..18 s credited
    entries = [tally(0), tally(1), tally(2, 9, 900), tally(3, 5, 500), tally(4, 7, 700)]
    result = run([*entries, tally(5, 30, 3000)])
    assert (result["intake"]["counter_faults"], credited_s(result)) == (3, 20)  # 10..20, 20..30
    result = run([*entries, tally(5, 8, 800), tally(6, 18, 1800)])
    assert (result["intake"]["counter_faults"], credited_s(result)) == (4, 20)  # 10..20, 8..18
    # 5, 7, 6 s: the third falls; the tally at 30 s is paired with that at 20 s
    entries = [tally(0), tally(1), tally(2, 5, 500), tally(3, 7, 700), tally(4, 6, 600), tally(5, 30, 3000)]
    result = run(entries)
    assert (result["intake"]["counter_faults"], credited_s(result)) == (3, 20)


def test_a_good_tally_between_breaks_the_row():
    # 1 and 2 s left out, 40 s good, 3 s left out: three that rise, but not in a row, so nothing opens anew
    entries = [tally(0), tally(1, 1), tally(2, 2), tally(3), tally(4, 3), tally(5)]
    result = run(entries)
    assert result["intake"]["counter_faults"] == 3
    assert credited_s(result) == 50  # 10..40 and 40..60 s
    assert uncredited_s(result) == {}


def test_errors_over_an_opening_are_counted_from_the_last_good_tally():
    # criterion 3, one error in the last good tally (20 s), three in the opening one: 1 + 2, instant 20 s
    far = 20 + HOURS_744_S
    entries = [tally(0), tally(1, errors=[1, 0])]
    entries += [tally(2 + k, far + 10 * (k + 1), errors=[k + 1, 0]) for k in range(3)]
    result = run(entries, criterion(3))
    assert failed_at(result) == ("b1", 20)
    assert chip(result)["failed"]["t_ms"] == 1_020_000
    assert (credited_s(result), chip(result)["errors"], chip(result)["errors_at_risk"]) == (10, 3, 3)


def test_far_arrival_moves_neither_clock_nor_span_until_the_account_opens_anew():
    # seq 0 at 10 s; 4 (out of order) waits at 50 s; far arrivals 5, 6 do not release it
    far = 10 + HOURS_744_S
    waiting = [tally(0), tally(4), tally(5, far + 50), tally(6, far + 60)]
    assert run(waiting)["intake"]["waiting"] == 3
    # nor do they span the hold: what waits in an older boot stays
    older = [tally(0), tally(2)]
    newer = [tally(0, boot="b2"), tally(1, far + 10, boot="b2"), tally(2, far + 20, boot="b2")]
    assert run(older + newer)["intake"]["waiting"] == 1
    # the third opens anew (clock and span start at far + 30 s); 60 s after it the span folds the older boot
    newer += [tally(3, far + 30, boot="b2"), tally(4, far + 89, boot="b2")]
    assert run(older + newer)["intake"]["waiting"] == 1
    assert run([*older, *newer, tally(5, far + 90, boot="b2")])["intake"]["waiting"] == 0


def test_opening_anew_takes_the_clock_back():
    # up_ms falls from 100 s to 1, 2, 3 s (opens, clock 3 s). seq 5 at 5 s waits for 4: 62.9 s is not yet 60 s past
    entries = [tally(0, 100), tally(1, 1), tally(2, 2), tally(3, 3), tally(5, 5), tally(6, 64.9)]
    assert run(entries)["intake"]["waiting"] == 2
    assert run([*entries, tally(7, 65)])["intake"]["waiting"] == 0


# ------------------------------------------------------------------ failure


def test_failure_by_tally_alone_stops_at_the_tally_before():
    # error shown at 30 s: instant 20 s, hours 10, reads 1000; later intervals give nothing
    result = run([tally(0), tally(1), tally(2, errors=[1, 0]), tally(3, errors=[5, 0])])
    assert chip(result)["failed"] == {"boot": "b1", "up_ms": 20_000, "t_ms": 1_020_000, "address": None}
    assert credited_s(result) == 10
    assert (chip(result)["reads_total"], chip(result)["reads_credited"]) == (1000, 1000)
    # errors before and after the failure: 5; at risk up to the tally that shows it: 1
    assert (chip(result)["errors"], chip(result)["errors_at_risk"]) == (5, 1)
    assert credited_s(result, "S12") == 30
    assert result["chips"] == {"loaded": 2, "at_risk": 1, "failed": 1, "not_relevant": 0}


def test_first_tally_of_a_boot_counts_errors_from_zero():
    result = run([tally(0, errors=[1, 0]), tally(1, errors=[1, 0])])
    assert chip(result)["failed"] == {"boot": "b1", "up_ms": 0, "t_ms": None, "address": None}
    assert credited_s(result) == 0
    assert (chip(result)["errors"], chip(result)["errors_at_risk"]) == (1, 1)


def test_message_before_and_after_the_tally_give_the_same_account():
    # instant 26 s, the read of index 2600: hours 10 + 6, reads 1000 + 600
    before = run([tally(0), tally(1), error(0, 26, 2600), tally(2, errors=[1, 0]), tally(3, errors=[1, 0])])
    after = run([tally(0), tally(1), tally(2, errors=[1, 0]), error(0, 26, 2600), tally(3, errors=[1, 0])])
    much_later = run(
        [tally(0), tally(1), tally(2, errors=[1, 0]), tally(3, errors=[1, 0]), error(0, 26, 2600)]
    )
    assert before == after == much_later
    assert chip(before)["failed"] == {"boot": "b1", "up_ms": 26_000, "t_ms": 1_026_000, "address": 4096}
    assert credited_s(before) == 16
    assert (chip(before)["reads_total"], chip(before)["reads_credited"]) == (1600, 1600)
    assert before["intake"]["disagreements"] == 0


def test_message_fails_the_chip_at_once_and_intervals_before_the_instant_are_still_credited():
    # message at 36 s arrives after the tally at 10 s: failed at once; 10..30 and 30..36 s are credited as they come
    entries = [tally(0), error(0, 36, 3600)]
    result = run(entries)
    assert (result["chips"]["failed"], credited_s(result)) == (1, 0)
    result = run([*entries, tally(1), tally(2), tally(3, errors=[1, 0]), tally(4, errors=[1, 0])])
    assert (credited_s(result), chip(result)["reads_credited"]) == (26, 2600)


def test_instant_on_the_edges_of_an_interval():
    # (a, b]: 20 s is the end of the first interval; the counters show it at 20 s: all 10 s credited
    result = run([tally(0), error(0, 20, 2000), tally(1, errors=[1, 0]), tally(2, errors=[1, 0])])
    assert (credited_s(result), chip(result)["reads_credited"]) == (10, 1000)
    assert result["intake"]["disagreements"] == 0


def test_interval_with_the_instant_is_judged_as_a_whole():
    # instant 16 s in 10..20 s, hot at 20 s: 6 s to temperature, 600 reads in the total only
    result = run([tally(0), error(0, 16, 1600), tally(1, errors=[1, 0], temp_c=131)])
    assert (credited_s(result), uncredited_s(result)) == (0, {"temperature": 6})
    assert (chip(result)["reads_total"], chip(result)["reads_credited"]) == (600, 0)
    # the same with the message behind the tally
    assert run([tally(0), tally(1, errors=[1, 0], temp_c=131), error(0, 16, 1600)]) == result
    # a jump of the counter: 6 s to counter, reads in no figure
    result = run([tally(0), error(0, 16, 1600), tally(1, reads=[2101, 2000], errors=[1, 0])])
    assert (uncredited_s(result), chip(result)["reads_total"]) == ({"counter": 6}, 0)


def test_read_index_never_credits_more_than_the_tallies_show():
    # read_index 9999 in 10..20 s (1000 -> 2000): 1000; read_index 5: none
    high = run([tally(0), error(0, 16, 9999), tally(1, errors=[1, 0])])
    assert chip(high)["reads_credited"] == 1000
    low = run([tally(0), error(0, 16, 5), tally(1, errors=[1, 0])])
    assert (chip(low)["reads_credited"], credited_s(low)) == (0, 6)


def test_criterion_of_two_counts_each_witness_by_itself():
    # one error by message and one by tally are one and one: at risk
    entries = [tally(0), error(0, 15, 1500), tally(1, errors=[1, 0]), tally(2, errors=[1, 0])]
    result = run(entries, criterion(2))
    assert (failed_at(result), credited_s(result)) == (None, 20)
    # the second of each in 30..40 s: instant that of n = 1
    entries += [error(1, 34, 3400), tally(3, errors=[2, 0])]
    result = run(entries, criterion(2))
    assert (failed_at(result), credited_s(result)) == (("b1", 34), 24)
    assert chip(result)["errors_at_risk"] == 2


def test_count_of_a_message_and_its_order_by_n():
    # criterion 3: n = 1 (2 reads, 28 s) arrives before n = 0 (1 read, 22 s): the sum in order of n gets there at 28 s
    entries = [tally(0), tally(1), error(1, 28, 2800, count=2), error(0, 22, 2200), tally(2, errors=[3, 0])]
    assert failed_at(run(entries, criterion(3))) == ("b1", 28)
    # criterion 1: n = 1 fails it at 28 s; n = 0, known then, puts the instant at 22 s, the interval not folded yet
    result = run(entries)
    assert (failed_at(result), credited_s(result)) == (("b1", 22), 12)
    # and the same with the interval folded in between
    folded = run([tally(0), tally(1), entries[2], tally(2, errors=[3, 0]), entries[3]])
    assert (failed_at(folded), credited_s(folded)) == (("b1", 22), 12)


def test_messages_are_counted_over_boots():
    # criterion 2: one in b1, one in b2 at 14 s: fails in b2; 10..14 s of b2
    entries = [tally(0), tally(1), error(0, 15, 1500), tally(0, boot="b2"), error(0, 14, 1400, boot="b2")]
    result = run([*entries, tally(1, boot="b2", errors=[2, 0])], criterion(2))
    assert (failed_at(result), credited_s(result)) == (("b2", 14), 14)


def test_message_into_an_interval_already_folded_clean():
    # 10..30 s folded without an error; a message at 16 s: failed, the 20 s stay, account closed, one disagreement
    entries = [tally(0), tally(1), tally(2), error(0, 16, 1600)]
    result = run([*entries, tally(3), error(1, 17, 1700), error(2, 35, 3500)])
    assert (failed_at(result), credited_s(result)) == (("b1", 16), 20)
    assert chip(result)["reads_credited"] == 2000
    assert result["intake"]["disagreements"] == 1  # once per chip
    assert result["chips"]["failed"] == 1
    # errors_at_risk stops with the last tally folded (30 s); errors at 40 s count in errors only
    result = run([*entries, tally(3, errors=[2, 0])])
    assert (chip(result)["errors"], chip(result)["errors_at_risk"]) == (2, 0)


def test_message_at_the_very_last_folded_tally_is_in_the_folded_interval():
    # 30 s is the end of 20..30 s, folded clean; a millisecond later it would be in the next one
    assert run([tally(0), tally(1), tally(2), error(0, 30, 3000)])["intake"]["disagreements"] == 1
    assert run([tally(0), tally(1), tally(2), error(0, 30.001, 3000)])["intake"]["disagreements"] == 0


def test_record_of_a_chip_failed_by_messages_follows_the_order_of_n():
    # n = 1 at 16 s, folded clean, closes the account; n = 0 at 13 s, known then, is the first failed read
    result = run([tally(0), tally(1), error(1, 16, 1600), error(0, 13, 1300)])
    assert (failed_at(result), credited_s(result)) == (("b1", 13), 10)


def test_after_opening_anew_instants_are_places_on_the_new_up_ms():
    # 10..20 s, then 1, 5, 9 s: the third opens. A message at 15 s is ahead of 9 s, so it lies in 9..19 s: 6 s
    entries = [tally(0), tally(1), tally(2, 1, 100), tally(3, 5, 500), tally(4, 9, 900), error(0, 15, 1500)]
    result = run([*entries, tally(5, 19, 1900, errors=[1, 0])])
    assert (failed_at(result), credited_s(result)) == (("b1", 15), 16)
    assert result["intake"]["disagreements"] == 0


def test_message_below_the_first_tally_folded_clean_is_a_disagreement_too():
    result = run([tally(0), error(0, 5, 500), tally(1)])
    assert (failed_at(result), credited_s(result), result["intake"]["disagreements"]) == (("b1", 5), 0, 1)
    # before that tally: the chip is failed, the tally contains the instant with the counter at zero
    result = run([error(0, 5, 500), tally(0), tally(1)])
    assert (credited_s(result), result["intake"]["disagreements"]) == (0, 1)
    # and with the counter at one they agree
    result = run([tally(0, errors=[1, 0]), error(0, 5, 500)])
    assert (failed_at(result), result["intake"]["disagreements"]) == (("b1", 5), 0)


def test_interval_of_the_instant_folded_with_counters_below_the_criterion_is_a_disagreement():
    # message at 16 s known, then the tally at 20 s without an error: 6 s credited, failed stays, disagreement
    result = run([tally(0), error(0, 16, 1600), tally(1), tally(2)])
    assert (failed_at(result), credited_s(result), result["intake"]["disagreements"]) == (("b1", 16), 6, 1)


def test_counters_interval_stands_when_it_is_the_earlier_one():
    # message at 36 s known; the tally at 20 s already shows the error: instant 10 s, nothing more
    entries = [tally(0), error(0, 36, 3600), tally(1, errors=[1, 0]), tally(2, errors=[1, 0])]
    result = run([*entries, tally(3, errors=[1, 0])])
    assert (failed_at(result), credited_s(result)) == (("b1", 10), 0)
    assert chip(result)["errors_at_risk"] == 1
    assert result["intake"]["disagreements"] == 0
    # a message that names the counters' interval after all is followed: 16 s
    assert (
        credited_s(run([*entries, error(1, 16, 1600)])) == 0
    )  # n = 1 comes after n = 0: the sum is there at n = 0
    entries[1] = error(1, 36, 3600)
    assert credited_s(run([*entries, error(0, 16, 1600)])) == 6


def test_counters_interval_stands_when_it_was_folded_first():
    # the tally at 30 s shows the error, folded; a message at 16 s names 10..20 s, folded clean: instant 20 s stands
    result = run([tally(0), tally(1), tally(2, errors=[1, 0]), error(0, 16, 1600)])
    assert (failed_at(result), credited_s(result)) == (("b1", 20), 10)
    assert result["intake"]["disagreements"] == 1
    # 20 s is the end of 10..20 s, not within 20..30 s: the counters' record stands, without an address
    edge = run([tally(0), tally(1), tally(2, errors=[1, 0]), error(0, 20, 2000)])
    assert (chip(edge)["failed"]["address"], edge["intake"]["disagreements"]) == (None, 1)
    # a message at 36 s names a later one: stands as well, and nothing was folded clean against it
    result = run([tally(0), tally(1), tally(2, errors=[1, 0]), tally(3, errors=[1, 0]), error(0, 36, 3600)])
    assert (failed_at(result), credited_s(result)) == (("b1", 20), 10)
    assert result["intake"]["disagreements"] == 0


def test_counters_of_an_older_boot_are_the_earlier_ones():
    # b2's message at 50 s fails S11; then b1's 20 s and its waiting 30 s are folded, the latter with an error: instant
    # 20 s of b1; 10..20 s was folded after a failure in a newer boot, so it is not credited
    entries = [tally(0), tally(2, errors=[1, 0]), error(0, 50, 5000, boot="b2"), tally(1)]
    result = run(entries)
    assert (failed_at(result), credited_s(result)) == (("b1", 20), 0)
    # counters of a newer boot are the later ones: the message at 50 s of b1 stands
    entries = [tally(0), error(0, 50, 5000), tally(0, boot="b2", errors=[1, 0]), tally(1)]
    result = run(entries)
    assert (failed_at(result), credited_s(result)) == (("b1", 50), 10)


def test_a_failed_chip_is_out_for_good():
    # failed in b1; b2 starts with clean counters: nothing more
    entries = [tally(0), tally(1, errors=[1, 0]), tally(0, boot="b2"), tally(1, boot="b2")]
    result = run(entries)
    assert (credited_s(result), chip(result)["reads_total"]) == (0, 0)
    assert credited_s(result, "S12") == 20


def test_disposition_takes_a_failed_chip_out_and_the_last_one_stands():
    entries = [tally(0), tally(1), tally(2, errors=[1, 0])]
    out, back = {"serial": "S11", "class": "not-relevant"}, {"serial": "S11", "class": "relevant"}
    result = account(campaign(), entries, [back, out])
    assert result["chips"] == {"loaded": 2, "at_risk": 1, "failed": 0, "not_relevant": 1}
    assert credited_s(result) == 10  # keeps its hours up to its failure
    assert account(campaign(), entries, [out, back])["chips"]["failed"] == 1


# ------------------------------------------------------------------ incidents


def test_three_chips_of_one_board_within_the_limit_are_one_incident():
    # 100, 130 and 160 s: 60 s from the earliest, inclusive
    camp = campaign(sockets=4)
    messages = [error(n, 100 + 30 * n, 1, socket=n + 1) for n in range(3)]
    assert run(messages, camp)["incidents"] == [{"rack": RACK, "board": 1, "serials": ["S11", "S12", "S13"]}]
    assert run(messages, camp)["chips"]["failed"] == 3
    # a millisecond more is none; nor two of one boot and one of another
    assert run([*messages[:2], error(2, 160.001, 1, socket=3)], camp)["incidents"] == []
    assert run([*messages[:2], error(0, 110, 1, socket=3, boot="b2")], camp)["incidents"] == []


def test_incident_is_counted_from_the_earliest_of_a_group_that_is_large_enough():
    # 0, 50, 70, 90 s: from 0 s only two within 60 s; from 50 s three
    messages = [error(n, up, 1, socket=n + 1) for n, up in enumerate([0, 50, 70, 90])]
    found = run(messages, campaign(sockets=4))["incidents"]
    assert [i["serials"] for i in found] == [["S12", "S13", "S14"]]


def test_incident_needs_one_board():
    messages = [error(0, 5, 1), error(1, 5, 1, socket=2), error(0, 5, 1, board=2)]
    assert run(messages, campaign(boards=(1, 2)))["incidents"] == []


# ------------------------------------------------------------------ intake


def test_duplicate_and_conflict_are_separate_and_the_first_stands():
    again = copy.deepcopy(tally(1))
    again[2]["note"] = "a field the contract does not know is ignored"
    again[2]["temp_c"] = 125  # the same number
    other = tally(1, temp_c=140.0)
    result = run([tally(0), tally(1), again, other, other])
    assert credited_s(result) == 10
    assert result["intake"]["duplicates"] == 1
    assert result["intake"]["conflicts"] == 2
    assert result["intake"]["accepted"] == 2


def test_duplicate_error_message_is_counted_once():
    # criterion 2: twice the same n is one failed read
    result = run([error(0, 5, 500), error(0, 5, 500), error(0, 6, 600)], criterion(2))
    assert failed_at(result) is None
    assert (result["intake"]["duplicates"], result["intake"]["conflicts"]) == (1, 1)
    # another boot and another board have identities of their own
    others = [error(0, 5, 500), error(0, 5, 500, boot="b2"), error(0, 5, 500, board=2)]
    result = run(others, criterion(2, boards=(1, 2)))
    assert result["intake"]["accepted"] == 3
    assert failed_at(result) == ("b2", 5)


def test_strangers_by_topic_and_by_socket():
    # unknown board, unknown rack, unknown prefix, and an error message for a socket without a chip
    strange = [
        tally(0, board=9),
        (0, "lifebound/oven-7/presence", {"v": 1, "online": True, "boot": "x", "t_ms": 0, "boards": []}),
        (0, f"elsewhere/{RACK}/1/tally", tally(0)[2]),
        error(0, 5, 500, socket=3),
    ]
    result = run(strange + strange)
    assert (result["intake"]["strangers"], result["intake"]["accepted"]) == (8, 0)
    assert result["chips"]["failed"] == 0
    # the refused message has taken no identity: n = 0 for a chip is the first of its kind
    assert run([*strange, error(0, 5, 500)])["intake"]["accepted"] == 1


def test_stranger_socket_leaves_the_rest_of_its_tally():
    # socket 3 carries numbers, errors and a fall, and is nobody's
    result = run([tally(s, reads=[r, r, 9 - s], errors=[0, 0, 7 - s]) for s, r in enumerate([1000, 2000])])
    assert (credited_s(result), result["intake"]["strangers"]) == (10, 0)
    assert result["intake"]["counter_faults"] == 0


def test_every_presence_is_accepted():
    presence = (
        0,
        f"lifebound/{RACK}/presence",
        {"v": 1, "online": True, "boot": "b1", "t_ms": 5, "boards": [1]},
    )
    result = run([presence, presence, presence])
    assert (result["intake"]["accepted"], result["intake"]["duplicates"]) == (3, 0)


def test_prefix_is_the_campaigns():
    camp = {**campaign(), "intake": {"prefix": "lab"}}
    moved = [(t, topic.replace("lifebound", "lab"), payload) for t, topic, payload in [tally(0), tally(1)]]
    assert credited_s(run(moved, camp)) == 10
    assert run([tally(0)], camp)["intake"]["strangers"] == 1


def test_boards_are_accounts_of_their_own():
    result = run([tally(0), tally(0, board=2), tally(1, board=2)], campaign(boards=(1, 2)))
    assert (credited_s(result, "S11"), credited_s(result, "S21")) == (0, 10)


# ------------------------------------------------------------------ acceleration


def test_weight_at_the_setpoint_against_published_factors():
    # 125 °C stress, 55 °C use, Ea 0.7 eV: about 77 on a vendor's public reliability page (older constants: 77.4);
    # 25 -> 125 °C: 133 at 0.5 eV and 17 597 at 1.0 eV (NIST e-Handbook 8.1.5.1; digits from memory)
    for use_c, ea_ev, published, rel in [
        (55, 0.7, 77.4, 0.01),
        (25, 0.5, 133, 0.005),
        (25, 1.0, 17597, 0.001),
    ]:
        camp = campaign(accelerate_at="setpoint")
        camp["use"]["profile"] = [{"share": 1.0, "temp_c": use_c}]
        camp["mechanism"] = [{"name": "m", "ea_ev": ea_ev}]
        result = run([tally(0), tally(1)], camp)
        assert chip(result)["equivalent_ms"]["m"] == pytest.approx(10_000 * published, rel=rel)


def test_weight_at_the_mean_of_the_two_measured_temperatures_and_supplies():
    # measured 124 and 128 °C, 1.96 and 1.98 V: as a setpoint of 126 °C and 1.97 V
    def run_at(entries, **stress):
        camp = campaign(self_heating_c=4, **stress)
        camp["mechanism"] = [{"name": "m", "ea_ev": 0.7, "gamma_per_v": 3.5}]
        return chip(run(entries, camp))["equivalent_ms"]["m"]

    measured = run_at([tally(0, temp_c=124.0, supply_v=1.96), tally(1, temp_c=128.0, supply_v=1.98)])
    setpoint = run_at([tally(0), tally(1)], temp_c=126.0, supply_v=1.97, accelerate_at="setpoint")
    assert measured == pytest.approx(setpoint, rel=1e-12)


def test_self_heating_adds_to_both_temperatures():
    # 125 and 55 °C with 4 °C of self-heating are junctions of 129 and 59 °C; a line's own 0 °C leaves its 55 °C
    def equivalent(temp_c, use_c, heating_c, **line):
        camp = campaign(accelerate_at="setpoint", temp_c=temp_c, temp_tol_minus_c=9, self_heating_c=heating_c)
        camp["use"]["profile"] = [{"share": 1.0, "temp_c": use_c, **line}]
        return chip(run([tally(0), tally(1)], {**camp}))["equivalent_ms"]["loss"]

    # exp(0.7 / 8.617333262e-5 x (1 / 332.15 - 1 / 402.15)) = exp(8123.1627 x 5.240536e-4) = 70.5959
    assert equivalent(125.0, 55.0, 4.0) == pytest.approx(705_959, rel=1e-5)
    assert equivalent(125.0, 55.0, 4.0) == pytest.approx(equivalent(129.0, 59.0, 0.0), rel=1e-12)
    one_line = equivalent(125.0, 55.0, 4.0, self_heating_c=0.0)
    assert one_line == pytest.approx(equivalent(129.0, 55.0, 0.0), rel=1e-12)


def test_voltage_terms_and_profile_shares():
    # at one temperature only the voltage is left: exp(3.5 x 0.18) = 1.877611 and (1.98 / 1.80)^40 = 45.259256;
    # two lines of share 0.5, the second used at the stress supply: 1 / (0.5 / 45.259256 + 0.5 / 1) = 1.956766
    camp = campaign()
    camp["use"]["profile"] = [{"share": 1.0, "temp_c": 125.0}]
    camp["mechanism"] = [
        {"name": "exp", "ea_ev": 0.7, "gamma_per_v": 3.5},
        {"name": "power", "ea_ev": 0.7, "voltage_exponent": 40},
        {"name": "heat", "ea_ev": 0.7},
    ]
    got = chip(run([tally(0), tally(1)], camp))["equivalent_ms"]
    assert got == pytest.approx({"exp": 18_776.11, "power": 452_592.56, "heat": 10_000}, rel=1e-6)
    camp["use"]["profile"] = [
        {"share": 0.5, "temp_c": 125.0},
        {"share": 0.5, "temp_c": 125.0, "supply_v": 1.98},
    ]
    got = chip(run([tally(0), tally(1)], camp))["equivalent_ms"]
    assert got["power"] == pytest.approx(19_567.66, rel=1e-6)


def test_part_of_an_interval_is_weighted_as_that_part():
    # 6 of 10 s at a factor of one (use at the stress temperature, no voltage term)
    camp = campaign()
    camp["use"]["profile"] = [{"share": 1.0, "temp_c": 125.0}]
    result = run([tally(0), error(0, 16, 1600), tally(1, errors=[1, 0])], camp)
    assert chip(result)["equivalent_ms"]["loss"] == pytest.approx(6000, rel=1e-12)


# ------------------------------------------------------------------ laws, over generated runs


@settings(max_examples=100, deadline=None)
@given(runs())
def test_sums_of_any_run_fit_together(generated):
    camp, entries = generated
    result = account(camp, entries)
    counts, intake = result["chips"], result["intake"]
    assert counts["loaded"] == counts["at_risk"] + counts["failed"] == len(camp["chips_expanded"])
    assert len(entries) == sum(intake[k] for k in ("accepted", "duplicates", "conflicts", "strangers"))
    assert intake["disagreements"] <= counts["failed"]
    for figures in result["per_chip"].values():
        assert 0 <= figures["reads_credited"] <= figures["reads_total"]
        assert 0 <= figures["errors_at_risk"] <= figures["errors"]
        assert min(figures["credited_ms"], *figures["uncredited_ms"].values()) >= 0
        assert (figures["equivalent_ms"]["charge-loss"] > 0) == (figures["credited_ms"] > 0)


@settings(max_examples=100, deadline=None)
@given(runs())
def test_redelivery_of_everything_changes_only_the_counts_of_refused_messages(generated):
    camp, entries = generated
    once, twice = account(camp, entries), account(camp, [e for e in entries for _ in range(2)])
    assert once["per_chip"] == twice["per_chip"]
    presences = sum(topic.endswith("/presence") and "oven-9" not in topic for _, topic, _ in entries)
    assert twice["intake"]["accepted"] == once["intake"]["accepted"] + presences
    assert twice["intake"]["waiting"] == once["intake"]["waiting"]


@settings(max_examples=100, deadline=None)
@given(runs())
def test_failed_chips_stay_failed_and_credit_is_taken_back_from_a_closing_interval_only(generated):
    camp, entries = generated
    results = [account(camp, entries[:k]) for k in range(0, len(entries) + 1, 3)]
    for before, after in itertools.pairwise(results):
        for serial, figures in before["per_chip"].items():
            later = after["per_chip"][serial]
            if figures["failed"]:
                assert later["failed"]
            else:
                assert later["credited_ms"] >= figures["credited_ms"]
