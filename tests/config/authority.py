"""Certificates for tests: an authority of their own, and what it signs for brokers, racks and monitors."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import trustme

from tests.config.shipped import Secured


@dataclass
class Authority:
    """A certificate authority that keeps what it makes in ``folder``."""

    folder: Path
    ca: trustme.CA = field(default_factory=trustme.CA)

    @property
    def certificate(self) -> Path:
        """Its own certificate: who has it trusts what it signs."""
        path = self.folder / f"authority-{id(self):x}.pem"
        if not path.exists():
            self.ca.cert_pem.write_to_path(str(path))
        return path

    def of_broker(self, *names: str, expired: bool = False, clients: Path | None = None) -> Secured:
        """Certificate and key of a broker that is known by ``names``."""
        return Secured(*self._written(self._issued(names, None, expired=expired)), clients)

    def of_client(self, name: str, *, expired: bool = False) -> tuple[Path, Path]:
        """Certificate and key of a client whose common name is ``name``."""
        return self._written(self._issued((name,), name, expired=expired))

    def _issued(self, names: tuple[str, ...], common_name: str | None, *, expired: bool) -> trustme.LeafCert:
        now = datetime.now(UTC)
        until = now - timedelta(days=1) if expired else now + timedelta(days=1)
        since = now - timedelta(days=2)
        return self.ca.issue_cert(*names, common_name=common_name, not_before=since, not_after=until)

    def _written(self, leaf: trustme.LeafCert) -> tuple[Path, Path]:
        number = len(list(self.folder.glob("leaf-*.key")))
        certificate, key = self.folder / f"leaf-{number}.crt", self.folder / f"leaf-{number}.key"
        for pem in leaf.cert_chain_pems:
            pem.write_to_path(str(certificate), append=True)
        key.touch(mode=0o600)
        leaf.private_key_pem.write_to_path(str(key), append=True)
        return certificate, key
