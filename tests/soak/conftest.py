"""The fixtures of the tests with real faults are those of the soak too."""

from tests.faults.conftest import faultshim

__all__ = ["faultshim"]
