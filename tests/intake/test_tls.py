"""TLS between monitor and broker, with a real mosquitto: what is trusted, what is refused, and in which words.

The broker's certificate and name are always checked. Each refusal is one plain sentence, known at once and not only
after a timeout, and the same on the service's faces, which tries again until the broker is mended.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest
import pytest_asyncio

from monitor.cli.broker import parse_broker
from monitor.intake import link as link_module
from monitor.intake.link import Address, Delivery, LinkLostError, connect
from tests.config.authority import Authority
from tests.config.shipped import Secured
from tests.service.running import Programs, equals_truth, programs_in, until, write_campaign

pytestmark = pytest.mark.timeout(60)
BOUND_S = 15
FILTERS = ("bench/+/tally", "bench/+/error")
NAMES = ("CA_FILE", "CERT_FILE", "KEY_FILE", "KEY_PASSWORD_FILE", "USERNAME", "PASSWORD", "PASSWORD_FILE")


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


@pytest.fixture
def other_authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def listener(port: int, secured: Secured) -> str:
    """A broker's configuration: TLS, and client certificates if ``secured`` has an authority for them."""
    text = (
        f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_inflight_messages 0\nmax_queued_messages 0\n"
        f"certfile {secured.certificate}\nkeyfile {secured.key}\n"
    )
    if secured.clients is not None:
        text += f"cafile {secured.clients}\nrequire_certificate true\n"
    return text


def trusting(
    monkeypatch: pytest.MonkeyPatch,
    port: int,
    authority: Authority,
    certificate: tuple[Path, Path] | None = None,
    host: str = "localhost",
) -> Address:
    """The address as the command line makes it, with an authority to trust and perhaps a certificate of our own."""
    for name in NAMES:
        monkeypatch.delenv(f"LIFEBOUND_MQTT_{name}", raising=False)
    monkeypatch.setenv("LIFEBOUND_MQTT_CA_FILE", str(authority.certificate))
    if certificate is not None:
        monkeypatch.setenv("LIFEBOUND_MQTT_CERT_FILE", str(certificate[0]))
        monkeypatch.setenv("LIFEBOUND_MQTT_KEY_FILE", str(certificate[1]))
    address = parse_broker(f"mqtts://{host}:{port}")
    assert isinstance(address, Address)
    return address


async def exchange(address: Address) -> None:
    """A message comes and is acknowledged, one of ours goes out."""
    async with connect(address, "lifebound-bench", FILTERS) as link, asyncio.timeout(BOUND_S):
        async with aiomqtt.Client(address.host, address.port, tls_context=address.tls) as rack:
            await rack.publish("bench/1/tally", b"over TLS", qos=1)
        batch = await link.batch()
        assert [(d.topic, d.payload) for d in batch] == [("bench/1/tally", b"over TLS")]
        link.acknowledge(batch)
        await link.publish("bench/receipt", b"{}", retain=False)


async def refusal(address: Address) -> str:
    """The sentence with which a connection is refused."""
    with pytest.raises(LinkLostError) as caught:
        async with connect(address, "lifebound-bench", FILTERS):
            pytest.fail("connected")
    assert "[SSL" not in str(caught.value), "no one reads the names of a library"
    return str(caught.value)


# ---------------------------------------------------------------- the broker's certificate


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1"])
async def test_the_right_authority_and_name_are_enough(
    start_mosquitto: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch, host: str
) -> None:
    secured = authority.of_broker(host)
    broker = start_mosquitto(lambda port: listener(port, secured))
    await exchange(trusting(monkeypatch, broker.port, authority, host=host))


async def test_an_unknown_authority_is_not_trusted(
    start_mosquitto: Any, authority: Authority, other_authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    secured = other_authority.of_broker("localhost")
    broker = start_mosquitto(lambda port: listener(port, secured))
    said = await refusal(trusting(monkeypatch, broker.port, authority))
    assert said.startswith("certificate of localhost is not trusted: ")
    assert said.endswith("; LIFEBOUND_MQTT_CA_FILE names the authority to trust")
    monkeypatch.delenv("LIFEBOUND_MQTT_CA_FILE")
    by_default = parse_broker(f"mqtts://localhost:{broker.port}")
    assert isinstance(by_default, Address)
    assert (await refusal(by_default)).startswith("certificate of localhost is not trusted: ")


async def test_a_certificate_for_another_name_is_refused(
    start_mosquitto: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    secured = authority.of_broker("broker.example")
    broker = start_mosquitto(lambda port: listener(port, secured))
    said = await refusal(trusting(monkeypatch, broker.port, authority))
    assert said.startswith("certificate of localhost is for another name: ")
    said = await refusal(trusting(monkeypatch, broker.port, authority, host="127.0.0.1"))
    assert said.startswith("certificate of 127.0.0.1 is for another name: ")


async def test_an_expired_certificate_is_refused(
    start_mosquitto: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    secured = authority.of_broker("localhost", expired=True)
    broker = start_mosquitto(lambda port: listener(port, secured))
    said = await refusal(trusting(monkeypatch, broker.port, authority))
    assert said == "certificate of localhost has expired"


async def test_a_broker_without_tls_is_refused(
    mosquitto: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = await refusal(trusting(monkeypatch, mosquitto.port, authority))
    assert said.startswith("localhost breaks off the TLS handshake (")
    assert said.endswith(f"; is port {mosquitto.port} one for TLS?")


async def test_a_broker_with_tls_is_not_reached_without(start_mosquitto: Any, authority: Authority) -> None:
    secured = authority.of_broker("localhost")
    broker = start_mosquitto(lambda port: listener(port, secured))
    said = await refusal(Address("localhost", broker.port))
    assert said == "the broker hangs up without an answer; one that wants TLS is at mqtts://"


async def test_a_full_inbox_pauses_reading_over_tls_too(
    start_mosquitto: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What TLS has decrypted already is not shown by the socket any more, and must not be forgotten."""
    monkeypatch.setattr(link_module, "INBOX_HIGH", 10)
    monkeypatch.setattr(link_module, "BATCH_MAX", 4)
    secured = authority.of_broker("localhost")
    broker = start_mosquitto(lambda port: listener(port, secured))
    address = trusting(monkeypatch, broker.port, authority)
    async with connect(address, "lifebound-bench", FILTERS) as link, asyncio.timeout(BOUND_S):
        async with aiomqtt.Client("localhost", broker.port, tls_context=address.tls) as rack:
            for number in range(400):
                await rack.publish("bench/1/tally", b"%d" % number, qos=1)
        taken: list[Delivery] = []
        paused = False
        while len(taken) < 400:
            taken += await link.batch()
            paused = paused or link._paused
        assert paused
        assert [int(d.payload) for d in taken] == list(range(400))


# ---------------------------------------------------------------- our certificate


@pytest.fixture
def asking(start_mosquitto: Any, authority: Authority) -> Any:
    """A broker that asks for client certificates of ``authority``."""
    secured = authority.of_broker("localhost", clients=authority.certificate)
    return start_mosquitto(lambda port: listener(port, secured))


async def test_a_client_certificate_that_is_asked_for_lets_us_in(
    asking: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    await exchange(trusting(monkeypatch, asking.port, authority, authority.of_client("monitor")))


async def test_without_the_client_certificate_that_is_asked_for_we_are_told_so(
    asking: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    said = await refusal(trusting(monkeypatch, asking.port, authority))
    assert said == (
        "localhost asks for a client certificate: set LIFEBOUND_MQTT_CERT_FILE and LIFEBOUND_MQTT_KEY_FILE"
    )


async def test_a_client_certificate_of_another_authority_is_refused(
    asking: Any, authority: Authority, other_authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = trusting(monkeypatch, asking.port, authority, other_authority.of_client("monitor"))
    said = await refusal(address)
    assert said == "localhost does not accept the client certificate: unknown ca"


async def test_an_expired_client_certificate_is_refused(
    asking: Any, authority: Authority, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = trusting(monkeypatch, asking.port, authority, authority.of_client("monitor", expired=True))
    said = await refusal(address)
    assert said == "localhost does not accept the client certificate: certificate expired"


# ---------------------------------------------------------------- the whole line


@pytest_asyncio.fixture
async def programs(tmp_path: Path) -> AsyncIterator[Programs]:
    async with programs_in(tmp_path) as programs:
        yield programs


async def test_racks_and_service_over_tls_and_a_broker_that_is_mended(
    start_mosquitto: Any, authority: Authority, other_authority: Authority, programs: Programs, tmp_path: Path
) -> None:
    """First the broker shows a certificate of another authority; the service says so and keeps trying.

    Then it has the right one and asks for client certificates: racks of the simulator come in with theirs, and the
    figures equal what they did.
    """
    untrusted = other_authority.of_broker("localhost")
    broker = start_mosquitto(lambda port: listener(port, untrusted))
    url = f"mqtts://localhost:{broker.port}"
    certificate, key = authority.of_client("monitor")
    environment = {
        "LIFEBOUND_MQTT_CA_FILE": str(authority.certificate),
        "LIFEBOUND_MQTT_CERT_FILE": str(certificate),
        "LIFEBOUND_MQTT_KEY_FILE": str(key),
    }
    campaign = write_campaign(tmp_path, report_interval_s=60, max_gap_s=180, reorder_hold_s=360)
    service = await programs.serve(campaign, tmp_path / "run", url, environment=environment)

    def attempts() -> int:
        return service.program.stderr().count("certificate of localhost is not trusted: ")

    await until(lambda: attempts() >= 3, lambda: f"it does not keep trying: {service.program}")
    said = (await service.get("/readyz")).body.decode()
    assert f"broker {url} is not connected: certificate of localhost is not trusted: " in said
    broker.config.write_text(
        broker.config.read_text()
        .replace(str(untrusted.certificate), str((right := authority.of_broker("localhost")).certificate))
        .replace(str(untrusted.key), str(right.key))
        + f"cafile {authority.certificate}\nrequire_certificate true\n"
    )
    broker.restart()
    await service.ready()
    how = ("--hours", "1", "--speed", "max", "--fail", "A-007@0.5", "--json")
    racks = programs.start("simulate", campaign, "--broker", url, *how, environment=environment)
    assert await racks.ended() == 0, str(racks)
    figures = await service.figures()
    await service.stop()
    truth = json.loads(racks.stdout())
    assert truth["delivery"]["covered"]
    equals_truth(figures, truth)
