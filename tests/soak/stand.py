"""What a round of the soak has in hand while it injects faults: the bench, the running service, the observer."""

from __future__ import annotations

import random
from dataclasses import dataclass

from tests.faults.bench import Bench
from tests.service.running import Program, Service
from tests.soak.observer import Observer


@dataclass
class Stand:
    """One round. ``service`` is the one that runs now; faults replace it."""

    bench: Bench
    service: Service
    racks: Program
    observer: Observer
    rng: random.Random
    older_snapshot: bytes | None = None

    async def start_again(self) -> None:
        """Start the service after it has ended."""
        self.service = await self.bench.serve()
