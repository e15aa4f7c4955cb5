"""A small invented campaign."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.scenario import Chip, Mechanism, Setup

MakeSetup = Callable[..., Setup]


@pytest.fixture(scope="session")
def make_setup() -> MakeSetup:
    """Build campaign "Tern A1" of so many racks, boards and sockets; ``empty`` sockets at the end of each board."""

    def make(
        racks: int = 2,
        boards: int = 2,
        sockets: int = 4,
        *,
        empty: int = 0,
        rate_hz: float = 2.0e5,
        interval_s: float = 10.0,
        prefix: str = "lifebound",
    ) -> Setup:
        places = [
            (f"oven-{rack + 1}", board + 1, place + 1)
            for rack in range(racks)
            for board in range(boards)
            for place in range(sockets - empty)
        ]
        return Setup(
            campaign_id="tern-a1",
            prefix=prefix,
            chips=tuple(Chip(f"A-{n:03}", "A", *place) for n, place in enumerate(places, start=1)),
            mechanisms=(Mechanism("charge-loss", 120.0), Mechanism("gate-oxide", 30.0)),
            temp_c=125.0,
            temp_tol_minus_c=2.0,
            temp_tol_plus_c=5.0,
            supply_v=1.98,
            supply_tol_v=0.04,
            read_rate_hz=rate_hz,
            report_interval_s=interval_s,
            sockets_per_board=sockets,
        )

    return make
