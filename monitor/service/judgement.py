"""The rules that a judgement of failed chips must keep, whichever way it comes in: by command line or over HTTP."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.faces.judging import Judgement
from monitor.service.account import Account
from shared.entries import Disposed, Disposition
from shared.errors import InputError

_WORDS = (("who", 200), ("why", 4000))


class JudgementError(InputError):
    """A judgement does not hold: ``field`` is the part that is wrong, ``reason`` says why and repeats nothing of it."""

    def __init__(self, number: int, judgement: Judgement, field: str, reason: str) -> None:
        super().__init__(f"disposition {number}, {field}: {reason}")
        self.judgement = judgement
        self.field = field
        self.reason = reason


def check_words(judgements: Sequence[Judgement]) -> None:
    """What can be told without the account. Raises JudgementError."""
    judged: set[str] = set()
    for number, judgement in enumerate(judgements, 1):
        for field, most in _WORDS:
            text: str = getattr(judgement, field)
            if not text.strip() or len(text) > most or not text.isprintable():
                raise JudgementError(number, judgement, field, f"1 to {most} printable characters are needed")
        if judgement.mechanism and judgement.cls != "relevant":
            raise JudgementError(
                number,
                judgement,
                "mechanism",
                "only a relevant failure has one; leave it out or use class relevant",
            )
        if judgement.serial in judged:
            raise JudgementError(
                number, judgement, "serial", "this chip is judged twice; send one judgement of it"
            )
        judged.add(judgement.serial)


def entries_of(judgements: Sequence[Judgement], account: Account, now_ms: int) -> list[Disposed]:
    """The journal entries of judgements that hold against the account as it stands. Raises JudgementError."""
    check_words(judgements)
    for number, judgement in enumerate(judgements, 1):
        _check(number, judgement, account)
    return [
        Disposed(
            now_ms,
            Disposition(
                serial=judgement.serial,
                cls=judgement.cls,
                mechanism=judgement.mechanism,
                who=judgement.who,
                why=judgement.why,
                when_ms=now_ms,
            ),
        )
        for judgement in judgements
    ]


def _check(number: int, judgement: Judgement, account: Account) -> None:
    campaign = account.campaign
    chips = {chip.serial: index for index, chip in enumerate(campaign.chips)}
    if judgement.serial not in chips:
        raise JudgementError(number, judgement, "serial", "the campaign names no such chip")
    if account.ledger.witnesses[chips[judgement.serial]].failure is None:
        raise JudgementError(
            number, judgement, "serial", "this chip has not failed; there is nothing to judge"
        )
    names = [mechanism.name for mechanism in campaign.mechanisms]
    if judgement.mechanism is not None and judgement.mechanism not in names:
        raise JudgementError(number, judgement, "mechanism", f"the campaign names {', '.join(names)}")
