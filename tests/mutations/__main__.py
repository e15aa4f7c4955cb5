"""``python -m tests.mutations [NAME ...]``: break the account in small ways, and see that the tests notice each."""

from __future__ import annotations

import sys

from tests.mutations.catalogue import MUTATIONS
from tests.mutations.trial import try_all

if __name__ == "__main__":
    asked = sys.argv[1:]
    if unknown := set(asked) - {mutation.name for mutation in MUTATIONS}:
        sys.exit(f"no such mutation: {', '.join(sorted(unknown))}")
    sys.exit(try_all([mutation for mutation in MUTATIONS if not asked or mutation.name in asked]))
