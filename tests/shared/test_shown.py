"""Text that may be shown: what is taken out, what is spelled out, and that nothing a terminal obeys is left."""

from __future__ import annotations

import json
import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from shared.shown import clean, escape, plain_json, sentence

OBEYED = {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}


@pytest.mark.parametrize(
    ("raw", "escaped"),
    [
        ("plain, µ and Ω", "plain, µ and Ω"),
        ("\x1b[2J", r"\x1b[2J"),
        ("a\nb\rc\td", r"a\nb\rc\td"),
        ("\x00\x7f\x9b", r"\x00\x7f\x9b"),
        ("\u202egnp\u2069\u200b\u2028", r"\u202egnp\u2069\u200b\u2028"),
        ("\udcff", r"\udcff"),
        ("\U000e0041\ufe0f", r"\U000e0041\ufe0f"),
        ("\ue000\U0010ffff", r"\ue000\U0010ffff"),
    ],
)
def test_what_a_terminal_would_obey_is_spelled_out(raw: str, escaped: str) -> None:
    assert escape(raw) == escaped


@example("\n  \x1b")
@given(st.text(alphabet=st.characters() | st.sampled_from("\n\r \x1b\u202e\udc80")))
def test_nothing_that_a_terminal_obeys_is_left(text: str) -> None:
    for shown in (escape(text), clean(text), *sentence(text).split("\n")):
        assert not {unicodedata.category(char) for char in shown} & OBEYED
    assert escape(escape(text)) == escape(text)
    assert clean(clean(text)) == clean(text)


def test_only_the_lines_of_a_list_of_problems_stay_lines() -> None:
    assert sentence("a.toml: 2 problems\n  one\n  two") == "a.toml: 2 problems\n  one\n  two"
    assert sentence("a\nlifebound: all is well: no such file") == r"a\nlifebound: all is well: no such file"
    assert sentence("a\n\n   b\n") == r"a\n\n   b\n"


def test_a_sentence_is_no_book() -> None:
    assert len(sentence("x" * 10**6)) < 250_000


@given(st.recursive(st.text() | st.integers() | st.none(), lambda inner: st.dictionaries(st.text(), inner)))
def test_json_in_ascii_means_the_same(value: object) -> None:
    shown = plain_json(json.dumps(value, ensure_ascii=False))
    assert shown.isascii()
    assert shown.isprintable()
    assert json.loads(shown) == value


def test_json_spells_out_what_the_standard_does_not_ask_for() -> None:
    assert plain_json('"\x7f\x9b\u202e\U0001f600"') == r'"\u007f\u009b\u202e\ud83d\ude00"'
