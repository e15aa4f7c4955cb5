"""Every mutation of the catalogue still finds its text, once, and breaks no syntax; and a trial can tell the two ends.

Whether the tests catch them takes minutes: ``make mutants``.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.mutations.catalogue import MUTATIONS, Mutation
from tests.mutations.trial import ROOT, mutated


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda mutation: mutation.name)
def test_a_mutation_applies(mutation: Mutation) -> None:
    text = mutated(mutation)
    assert text != (ROOT / mutation.file).read_text(encoding="utf-8")
    compile(text, mutation.file, "exec")
    for test in mutation.tests:
        assert (ROOT / test).is_file(), test


def test_there_are_enough_and_each_has_a_name_of_its_own() -> None:
    names = [mutation.name for mutation in MUTATIONS]
    assert len(names) == len(set(names)) >= 12


def test_a_text_that_is_gone_is_told() -> None:
    with pytest.raises(ValueError, match="stands 0 times"):
        mutated(replace(MUTATIONS[0], old="no such text in any file"))
