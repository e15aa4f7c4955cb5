"""The fold against the independent oracle of the account (tests/oracle), on adversarial runs.

The oracle was written from the figures page alone, with exact fractions and nothing incremental; the fold must give
the same account to the millisecond, the read and the count. Hours in use are compared to 1e-11 of their value
(the fold rounds each factor to 40 bits, 9e-13; the oracle adds doubles).
"""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from hypothesis import given, settings

from monitor.campaign import Campaign, Source, parse
from monitor.figures.failed import failed_chips, incidents
from monitor.ledger import Reason
from monitor.service.account import Account
from tests.oracle.account import account as oracle
from tests.oracle.generate import runs

HEAD = {"planned_hours": 1000, "target_fit": 50}


def toml(value: Any) -> str:
    """A value as inline TOML, which is enough for a campaign."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    return msgspec.json.encode(value).decode()


def campaign_of(facts: dict[str, Any]) -> Campaign:
    """The oracle's campaign as a campaign file, parsed by the product."""
    chips = [
        {
            "rack": c["rack"],
            "board": c["board"],
            "sockets": str(c["socket"]),
            "lot": c["lot"],
            "serial": c["serial"],
        }
        for c in facts["chips_expanded"]
    ]
    document = {
        "campaign": {**HEAD, **facts["campaign"]},
        "stress": facts["stress"],
        "use": {"life_years": 15, "reads_per_day": 5e5, **facts["use"]},
        "failure": facts.get("failure", {}),
        "intake": facts.get("intake", {}),
        "mechanism": facts["mechanism"],
        "chips": chips,
    }
    return parse(Source("generated", "\n".join(f"{key} = {toml(value)}" for key, value in document.items())))


def fold(facts: dict[str, Any], entries: list[tuple[int, str, Any]]) -> Account:
    """The product's account of the entries."""
    account = Account(campaign_of(facts))
    for t_recv_ms, topic, payload in entries:
        judgement = account.session.judge(t_recv_ms, topic, msgspec.json.encode(payload))
        if judgement.entry is not None:
            account.ledger.apply(judgement.entry)
    return account


def facts_of(account: Account) -> dict[str, Any]:
    """The product's account in the oracle's words."""
    ledger, campaign = account.ledger, account.campaign
    a, counts, refused = ledger.accounts, ledger.counts, account.session.refused
    failed = failed_chips(ledger)
    return {
        "per_chip": {
            chip.serial: {
                "credited_ms": int(a.credited_ms[i]),
                "uncredited_ms": {r.name.lower(): int(a.uncredited_ms[r, i]) for r in Reason},
                "reads_total": int(a.reads_total[i]),
                "reads_credited": int(a.reads_credited[i]),
                "errors": a.errors[i],
                "errors_at_risk": a.errors_at_risk[i],
                "failed": None
                if (f := ledger.witnesses[i].failure) is None
                else {
                    "boot": f.boot,
                    "up_ms": f.up_ms,
                    "address": f.seen.address if f.by_message and f.seen else None,
                },
            }
            for i, chip in enumerate(campaign.chips)
        },
        "incidents": sorted((i.rack, i.board, sorted(i.chips)) for i in incidents(campaign, failed)),
        "intake": {
            "accepted": ledger.accepted,
            "duplicates": refused.duplicates,
            "conflicts": refused.conflicts,
            "strangers": refused.strangers,
            "late": counts.late,
            "gaps": counts.gaps,
            "counter_faults": counts.counter_faults,
            "disagreements": counts.disagreements,
            "waiting": ledger.waiting,
        },
    }


def without_time(facts: dict[str, Any]) -> dict[str, Any]:
    """The oracle's account without what the two tell differently (t_ms of a failure shown by a first tally)."""
    chips = {
        serial: {
            **{key: value for key, value in chip.items() if key != "equivalent_ms"},
            "failed": chip["failed"] and {key: chip["failed"][key] for key in ("boot", "up_ms", "address")},
        }
        for serial, chip in facts["per_chip"].items()
    }
    found = sorted((i["rack"], i["board"], sorted(i["serials"])) for i in facts["incidents"])
    return {"per_chip": chips, "incidents": found, "intake": facts["intake"]}


def differences(mine: Any, theirs: Any, path: str = "") -> list[str]:
    """Where two accounts differ, as short lines."""
    if isinstance(mine, dict) and isinstance(theirs, dict) and mine.keys() == theirs.keys():
        return [line for key in mine for line in differences(mine[key], theirs[key], f"{path}/{key}")]
    return [] if mine == theirs else [f"{path}: fold {mine}, oracle {theirs}"]


@settings(max_examples=600)
@given(runs())
def test_fold_gives_the_oracles_account(run: tuple[dict[str, Any], list[tuple[int, str, Any]]]) -> None:
    facts, entries = run
    account = fold(facts, entries)
    expected = oracle(facts, entries)
    assert differences(facts_of(account), without_time(expected)) == []
    a = account.ledger.accounts
    hours = account.ledger.weights.equivalent_h(a.low, a.high)
    for m, mechanism in enumerate(facts["mechanism"]):
        for i, chip in enumerate(account.campaign.chips):
            weighted_ms = expected["per_chip"][chip.serial]["equivalent_ms"][mechanism["name"]]
            assert hours[m, i] == pytest.approx(weighted_ms / 3_600_000, rel=1e-11)
