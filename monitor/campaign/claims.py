"""What the campaign fixes about its claims before the first look, and the geometry of the memory macro."""

from __future__ import annotations

from decimal import Decimal

from monitor.campaign.model import ClaimsRule, Macro
from monitor.campaign.reader import TableReader
from monitor.claims import exact_risks, sequential_plan

_RISK = "a risk above 0 and below 0.5 is needed"
_MOST_FAILURES = 300  # of a sequential plan: beyond, its exact risks take long to reckon
_MOST_OVERRUN = 1.5
_SHAPES = "a list of 1 to 5 rising Weibull shapes from 0.1 to 10 is needed"


def read_claims(t: TableReader) -> ClaimsRule:
    """The table ``[claims]``; everything in it has a default, and no plan is declared unless it is asked for."""
    discrimination = t.decimal_or_none(
        "discrimination",
        "the target over the rate of a good product, above 1 and at most 1000, is needed",
        lambda x: 1 < x <= 1000,
    )
    rule = ClaimsRule(
        mixture_rate=float(
            t.decimal(
                "mixture_rate", "a number from 0 to 50 is needed", lambda x: 0 <= x <= 50, default=Decimal(5)
            )
        ),
        failures_allowed=t.integer_or_none(
            "failures_allowed", "a whole number from 0 to 100 is needed", lambda n: 0 <= n <= 100
        ),
        discrimination=None if discrimination is None else float(discrimination),
        producer_risk=_risk(t, "producer_risk"),
        consumer_risk=_risk(t, "consumer_risk"),
        weibull_shapes=tuple(
            float(x)
            for x in t.numbers(
                "weibull_shapes",
                _SHAPES,
                _are_shapes,
                default=[Decimal("0.5"), Decimal(1), Decimal(2)],
            )
        ),
        early_life_h=float(
            t.decimal(
                "early_life_h",
                "hours of field use above 0 and at most 1000000 are needed",
                lambda x: 0 < x <= 1_000_000,
                default=Decimal(8766),
            )
        ),
    )
    _check_plan(t, rule)
    t.finish()
    return rule


def _check_plan(t: TableReader, rule: ClaimsRule) -> None:
    """A plan that ends only after very many failures is no plan, and its exact risks take too long to reckon."""
    if rule.discrimination is None or not t.sound("discrimination", "producer_risk", "consumer_risk"):
        return
    try:
        plan = sequential_plan(1.0, rule.discrimination, rule.producer_risk, rule.consumer_risk)
    except ValueError:
        plan = None
    if plan is None or plan.truncation is None or plan.truncation.failures > _MOST_FAILURES:
        t.complain(
            "discrimination",
            f"found {rule.discrimination:g}, with these risks",
            f"a plan that ends within {_MOST_FAILURES} failures is needed: give a larger one, or larger risks",
        )
        return
    run = exact_risks(plan)
    for key, asked, exact in (
        ("producer_risk", rule.producer_risk, run.producer),
        ("consumer_risk", rule.consumer_risk, run.consumer),
    ):
        if exact > _MOST_OVERRUN * asked:
            found = f"found {asked:g}; truncated as it is, the plan runs {exact:.3g}"
            t.complain(
                key, found, f"at most {_MOST_OVERRUN:g} times the risk asked may be run: give smaller risks"
            )


def read_macro(t: TableReader) -> Macro:
    """The table ``[macro]``: words that a sweep of reads goes through, and bits of a word."""
    macro = Macro(
        words=t.integer_or_none("words", "1 to 1e12 words are needed", lambda n: 1 <= n <= 10**12),
        bits=t.integer_or_none("bits", "1 to 1e6 bits of a word are needed", lambda n: 1 <= n <= 10**6),
    )
    t.finish()
    return macro


def _risk(t: TableReader, key: str) -> float:
    return float(t.decimal(key, _RISK, lambda x: 0 < x < Decimal("0.5"), default=Decimal("0.1")))


def _are_shapes(xs: list[Decimal]) -> bool:
    return 1 <= len(xs) <= 5 and xs == sorted(set(xs)) and all(Decimal("0.1") <= x <= 10 for x in xs)
