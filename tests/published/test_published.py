"""Every published value, and the table of them in the documentation."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.published.catalogue import topics
from tests.published.check import PROVENANCES, Check
from tests.published.table import PAGE, page

_CHECKS = [check for checks in topics().values() for check in checks]


@pytest.mark.parametrize("check", _CHECKS, ids=str)
def test_published_value(check: Check) -> None:
    assert check.ours() == pytest.approx(check.published, rel=0, abs=check.tolerance)


def test_each_check_says_where_its_value_is_from() -> None:
    assert {check.provenance for check in _CHECKS} <= set(PROVENANCES)
    assert all(check.source and check.claim and check.tolerance >= 0 for check in _CHECKS)


def test_no_check_stands_twice() -> None:
    names = [str(check) for check in _CHECKS]
    assert sorted({name for name in names if names.count(name) > 1}) == []


def test_the_page_in_the_docs_is_the_present_one() -> None:
    written = (Path(__file__).parents[2] / PAGE).read_text()
    assert written == page(), f"{PAGE} is stale: run `make docs`"
