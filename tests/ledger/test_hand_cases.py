"""The oracle's hand-worked cases, run on the fold as well: each run of a case must give the oracle's account."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from typing import Any

import pytest

from tests.ledger.test_against_oracle import differences, facts_of, fold, without_time
from tests.oracle import test_account as cases
from tests.oracle.account import account as oracle

HAND_WORKED: list[Callable[..., None]] = [
    case
    for name, case in vars(cases).items()
    if name.startswith("test_") and not hasattr(case, "hypothesis") and not inspect.signature(case).parameters
]


@pytest.mark.parametrize("case", HAND_WORKED, ids=lambda case: case.__name__)
def test_fold_agrees_in_every_hand_worked_case(
    case: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    compared = []

    def both(campaign: dict[str, Any], entries: Any, dispositions: Any = ()) -> dict[str, Any]:
        expected = oracle(campaign, entries, dispositions)
        account = fold(campaign, entries)
        compared.append(differences(facts_of(account), without_time(expected)))
        return expected

    monkeypatch.setattr(cases, "account", both)
    case()
    assert all(found == [] for found in compared), compared


def test_enough_cases_are_compared() -> None:
    assert len(HAND_WORKED) >= 60
