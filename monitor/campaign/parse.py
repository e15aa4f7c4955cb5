"""Parse a campaign and validate it as a whole: every problem is found in one go."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path, PurePosixPath
from typing import Literal, cast

from monitor.campaign.acceleration import check_acceleration
from monitor.campaign.chips import MAX_BLOCKS, MAX_CHIPS, check_places, chips_from_blocks, chips_from_csv
from monitor.campaign.claims import read_claims, read_macro
from monitor.campaign.doubts import check_energies, warnings
from monitor.campaign.mechanisms import read_mechanisms
from monitor.campaign.model import (
    Campaign,
    Chip,
    FailureRule,
    Problem,
    Source,
    Stress,
    Use,
)
from monitor.campaign.reader import TableReader
from monitor.campaign.texts import read_text
from monitor.claims import UseCondition
from shared.errors import InputError
from shared.topics import is_prefix

MAX_CAMPAIGN_BYTES = 1024 * 1024
MAX_CHIPS_CSV_BYTES = 16 * 1024 * 1024
MAX_TITLE = 200
MAX_PROFILE_LINES = 1000
MAX_READ_POINTS = 1000
MAX_FILE_NAME = 255
_TOLD = 100  # problems told one by one
_ID = re.compile(r"[a-z0-9-]{1,64}", re.ASCII)
# Reading a dotted key takes time with the square of its parts; no campaign has a table so deep.
_DEEP_KEY = re.compile(r"""(?:\.[ \t]*+(?:"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+'|[A-Za-z0-9_-]++)[ \t]*+){32}""")
_POSITIVE = "a number above 0 is needed"
MAX_INTERVAL_S = 744 * 3600  # two tallies further apart than this are a counter fault
_INTERVAL = f"seconds above 0 and at most {MAX_INTERVAL_S} (744 h) are needed"
_RATE = "a number above 0 and at most 1e12 is needed"
_NOT_NEGATIVE = "a number of at least 0 is needed"
_DEGREES = "a temperature in °C between -100 and 400 is needed"


class CampaignError(InputError):
    """A campaign file is wrong; ``problems`` has every reason."""

    def __init__(self, name: str, problems: list[Problem]) -> None:
        self.name = name
        self.problems = problems
        lines = "\n".join(f"  {problem}" for problem in problems[:_TOLD])
        if len(problems) > _TOLD:
            lines += f"\n  and {len(problems) - _TOLD} more"
        count = "1 problem" if len(problems) == 1 else f"{len(problems)} problems"
        super().__init__(f"{name}: {count}; correct it and try again\n{lines}")


def load(path: Path) -> Campaign:
    """Read a campaign file and the chips file it names. Raises CampaignError or InputError."""
    toml = read_text(path, MAX_CAMPAIGN_BYTES)
    problems: list[Problem] = []
    chips_csv = _read_chips(path.parent, _toml(path.name, toml).get("chips_file"), problems)
    return parse(Source(path.name, toml, chips_csv), problems)


def _read_chips(folder: Path, chips_file: object, problems: list[Problem]) -> str | None:
    """The text of the chips file, if the campaign names one and it can be read."""
    if not isinstance(chips_file, str) or not _is_file_name(chips_file):
        return None  # which is told where the key is read
    pure = PurePosixPath(chips_file)
    inside = Path(os.path.realpath(folder / pure)).is_relative_to(os.path.realpath(folder))  # links followed
    if pure.is_absolute() or ".." in pure.parts or not inside:
        problems.append(
            Problem("chips_file", "leads out of the campaign file's folder", "put the file beside it")
        )
        return None
    try:
        return read_text(folder / chips_file, MAX_CHIPS_CSV_BYTES)
    except InputError as error:
        problems.append(Problem("chips_file", str(error), "it is looked for beside the campaign file"))
        return None


def parse(source: Source, found: Sequence[Problem] = ()) -> Campaign:
    """The campaign of ``source``. Raises CampaignError with every problem, those ``found`` before included."""
    problems = list(found)
    _check_sizes(source)
    root = TableReader(_toml(source.name, source.toml), "", problems)
    head = root.child("campaign")
    stress = _stress(root.child("stress"))
    use = _use(root.child("use"), stress)
    failure = _failure(root.child("failure"))
    prefix = _prefix(root.child("intake"))
    claims = read_claims(root.child("claims"))
    macro = read_macro(root.child("macro"))
    mechanisms, energies = read_mechanisms(root)
    if not problems:
        check_acceleration(stress, use, mechanisms, energies, problems)
        check_energies(stress, use, mechanisms, energies, problems)
    chips = _chips(root, source)
    campaign = Campaign(
        id=head.text("id", "use a to z, 0 to 9 and -, at most 64", lambda s: bool(_ID.fullmatch(s))),
        title=head.text(
            "title", f"one printable line of at most {MAX_TITLE} characters is needed", _is_title, default=""
        ),
        planned_hours=float(head.decimal("planned_hours", _POSITIVE, lambda x: x > 0)),
        read_points_h=tuple(
            float(x)
            for x in head.numbers(
                "read_points_h",
                f"a list of at most {MAX_READ_POINTS} rising hours above 0 is needed",
                lambda xs: len(xs) <= MAX_READ_POINTS and all(x > 0 for x in xs) and xs == sorted(set(xs)),
                default=[],
            )
        ),
        confidence=tuple(
            float(x)
            for x in head.numbers(
                "confidence",
                "a list of 1 to 8 different confidences from 0.01 to 0.999999 is needed, such as [0.60, 0.90]",
                _are_confidences,
                default=[Decimal("0.6"), Decimal("0.9")],
            )
        ),
        target_fit=float(head.decimal("target_fit", _POSITIVE, lambda x: x > 0)),
        stress=stress,
        use=use,
        failure=failure,
        prefix=prefix,
        claims=claims,
        macro=macro,
        mechanisms=mechanisms,
        energies=energies,
        chips=chips,
        source=source,
        warnings=() if problems else warnings(stress, use, macro, mechanisms, energies, chips),
    )
    head.finish()
    root.finish()
    if problems:
        raise CampaignError(source.name, problems)
    return campaign


def _check_sizes(source: Source) -> None:
    """The texts may come from a file or a journal from elsewhere. Raises CampaignError."""
    for name, text, most in (
        ("TOML", source.toml, MAX_CAMPAIGN_BYTES),
        ("chips_file", source.chips_csv or "", MAX_CHIPS_CSV_BYTES),
    ):
        if len(text) > most:
            raise CampaignError(
                source.name, [Problem(name, f"{len(text)} characters", f"at most {most} are read")]
            )


def _is_title(text: str) -> bool:
    return len(text) <= MAX_TITLE and text.isprintable()


def _is_file_name(text: str) -> bool:
    return 0 < len(text) <= MAX_FILE_NAME and text.isprintable()


def _are_confidences(xs: list[Decimal]) -> bool:
    """As doubles they must still differ; outside the range no bound says anything (and some overflow)."""
    apart = len({float(x) for x in xs}) == len(xs)
    return 1 <= len(xs) <= 8 and apart and all(Decimal("0.01") <= x <= Decimal("0.999999") for x in xs)


def _toml(name: str, text: str) -> dict[str, object]:
    if _DEEP_KEY.search(text):
        raise CampaignError(name, [Problem("TOML", "a key of very many parts", "tables are one level deep")])
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise CampaignError(
            name, [Problem("TOML", str(error), "see https://toml.io for the syntax")]
        ) from None
    except (RecursionError, ArithmeticError, ValueError):
        raise CampaignError(
            name, [Problem("TOML", "a value cannot be read", "use plain numbers and tables")]
        ) from None


def _stress(t: TableReader) -> Stress:
    def degrees(x: Decimal) -> bool:
        return -100 <= x <= 400

    def positive(x: Decimal) -> bool:
        return x > 0

    def not_negative(x: Decimal) -> bool:
        return x >= 0

    interval_s = t.decimal("report_interval_s", _INTERVAL, lambda x: 0 < x <= MAX_INTERVAL_S)
    stress = Stress(
        temp_c=t.decimal("temp_c", _DEGREES, degrees),
        temp_tol_minus_c=t.decimal("temp_tol_minus_c", _NOT_NEGATIVE, not_negative),
        temp_tol_plus_c=t.decimal("temp_tol_plus_c", _NOT_NEGATIVE, not_negative),
        supply_v=t.decimal("supply_v", _POSITIVE, positive),
        supply_tol_v=t.decimal("supply_tol_v", _NOT_NEGATIVE, not_negative),
        read_rate_hz=t.decimal("read_rate_hz", _RATE, lambda x: 0 < x <= Decimal("1e12")),
        report_interval_s=interval_s,
        self_heating_c=t.decimal(
            "self_heating_c",
            "a rise between 0 and 200 °C is needed",
            lambda x: 0 <= x <= 200,
            default=Decimal(0),
        ),
        min_read_fraction=t.decimal(
            "min_read_fraction",
            "a fraction above 0 and at most 1 is needed",
            lambda x: 0 < x <= 1,
            default=Decimal("0.9"),
        ),
        max_read_fraction=t.decimal(
            "max_read_fraction",
            "a factor from 1 to 10 is needed",
            lambda x: 1 <= x <= 10,
            default=Decimal("1.1"),
        ),
        max_gap_s=t.decimal("max_gap_s", _POSITIVE, positive, default=3 * interval_s),
        bridge_gap_s=t.decimal("bridge_gap_s", _NOT_NEGATIVE, not_negative, default=Decimal(0)),
        reorder_hold_s=t.decimal("reorder_hold_s", _NOT_NEGATIVE, not_negative, default=Decimal(60)),
        accelerate_at=cast(
            Literal["measured", "setpoint"],
            t.text(
                "accelerate_at",
                'use "measured" or "setpoint"',
                lambda s: s in {"measured", "setpoint"},
                default="measured",
            ),
        ),
    )
    if t.sound("max_gap_s", "report_interval_s") and stress.max_gap_s < interval_s:
        t.complain(
            "max_gap_s", f"found {stress.max_gap_s}", f"at least report_interval_s ({interval_s}) is needed"
        )
    if t.sound("supply_tol_v", "supply_v") and stress.supply_tol_v >= stress.supply_v:
        t.complain(
            "supply_tol_v",
            f"found {stress.supply_tol_v}",
            f"less than supply_v ({stress.supply_v}) is needed",
        )
    t.finish()
    return stress


def _use(t: TableReader, stress: Stress) -> Use:
    supply_v = t.decimal("supply_v", _POSITIVE, lambda x: x > 0)
    lines: list[UseCondition] = []
    shares, shares_sound = Decimal(0), True
    for line in t.tables("profile", "give [[use.profile]] tables", MAX_PROFILE_LINES):
        share = line.decimal("share", "a share above 0 and at most 1 is needed", lambda x: 0 < x <= 1)
        shares += share
        shares_sound &= line.sound("share")
        lines.append(
            UseCondition(
                share=float(share),
                temp_c=float(line.decimal("temp_c", _DEGREES, lambda x: -100 <= x <= 400)),
                supply_v=float(line.decimal("supply_v", _POSITIVE, lambda x: x > 0, default=supply_v)),
                self_heating_c=float(
                    line.decimal(
                        "self_heating_c",
                        "a rise between 0 and 200 °C is needed",
                        lambda x: 0 <= x <= 200,
                        default=stress.self_heating_c,
                    )
                ),
            )
        )
        line.finish()
    if not lines:
        t.complain("profile", "missing", "at least one [[use.profile]] with share and temp_c is needed")
    elif shares_sound and abs(shares - 1) > Decimal("1e-9"):
        t.complain("profile", f"the shares add up to {shares}", "they must add up to 1")
    use = Use(
        life_years=float(t.decimal("life_years", _POSITIVE, lambda x: x > 0)),
        reads_per_day=float(t.decimal("reads_per_day", _POSITIVE, lambda x: x > 0)),
        reads_on=cast(
            Literal["macro", "word"],
            t.text(
                "reads_on",
                'use "macro" (reads spread over its words) or "word" (all on one hot word)',
                lambda s: s in {"macro", "word"},
                default="macro",
            ),
        ),
        profile=tuple(lines),
    )
    t.finish()
    return use


def _failure(t: TableReader) -> FailureRule:
    rule = FailureRule(
        errors=t.integer(
            "errors", "a whole number of failed reads, at least 1, is needed", lambda n: n >= 1, default=1
        ),
        common_cause_chips=t.integer(
            "common_cause_chips",
            "a whole number of chips, at least 2, is needed",
            lambda n: n >= 2,
            default=3,
        ),
        common_cause_s=t.decimal("common_cause_s", _NOT_NEGATIVE, lambda x: x >= 0, default=Decimal(60)),
    )
    t.finish()
    return rule


def _prefix(t: TableReader) -> str:
    allowed = "use topic levels of letters, digits, _ . - joined by /, without wildcards"
    prefix = t.text("prefix", allowed, is_prefix, default="lifebound")
    t.finish()
    return prefix


def _chips(root: TableReader, source: Source) -> tuple[Chip, ...]:
    before = len(root.problems)
    blocks = root.tables("chips", "give [[chips]] tables, or chips_file", MAX_BLOCKS)
    chips_file = root.text(
        "chips_file", "the name of a CSV file beside it is needed", _is_file_name, default=""
    )
    if blocks and chips_file:
        root.complain("chips_file", "given together with [[chips]]", "give one of the two")
    if chips_file and source.chips_csv is not None:
        chips = chips_from_csv(chips_file, source.chips_csv, root.problems)
    else:
        chips = chips_from_blocks(blocks)
    unread = bool(chips_file) and source.chips_csv is None  # then that is the problem
    if not chips and not unread and len(root.problems) == before:
        root.complain("chips", "no chip is named", "give [[chips]] tables, or chips_file")
    if len(chips) > MAX_CHIPS:
        root.complain("chips", f"more than {MAX_CHIPS} chips", f"at most {MAX_CHIPS} are supported")
    check_places(chips, root.problems)
    return tuple(chip for chip, _ in chips)
