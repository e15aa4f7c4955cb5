"""What ``--broker`` and the environment say of a broker: secrets from files, certificates, and warnings."""

from __future__ import annotations

import os
import ssl
import threading
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
    load_pem_private_key,
)

from monitor.cli.broker import Embedded, parse_broker
from monitor.intake.link import Address
from shared.errors import InputError
from tests.config.authority import Authority

PREFIX = "LIFEBOUND_MQTT_"
NAMES = ("CA_FILE", "CERT_FILE", "KEY_FILE", "KEY_PASSWORD_FILE", "USERNAME", "PASSWORD", "PASSWORD_FILE")
SECRET = "a secret of the test"


@pytest.fixture(autouse=True)
def bare(monkeypatch: pytest.MonkeyPatch) -> None:
    """An environment that says nothing of brokers."""
    for name in NAMES:
        monkeypatch.delenv(PREFIX + name, raising=False)


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


def parsed(text: str) -> tuple[Address, list[str]]:
    """The address, and the warnings."""
    warnings: list[str] = []
    address = parse_broker(text, warnings.append)
    assert isinstance(address, Address)
    return address, warnings


def refused(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_broker(text, lambda warning: None)
    assert SECRET not in str(caught.value)
    return str(caught.value)


def name_files(monkeypatch: pytest.MonkeyPatch, **files: Path) -> None:
    for name, path in files.items():
        monkeypatch.setenv(PREFIX + name, str(path))


def encrypted(key: Path, password: str) -> Path:
    """A copy of a key, encrypted."""
    loaded = load_pem_private_key(key.read_bytes(), None)
    path = key.with_suffix(".locked")
    path.touch(mode=0o600)
    how = BestAvailableEncryption(password.encode())
    path.write_bytes(loaded.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, how))
    return path


# ---------------------------------------------------------------- URLs


def test_urls() -> None:
    assert parse_broker("embedded") == Embedded(1883)
    assert parse_broker("embedded:0") == Embedded(0)
    address, warnings = parsed("mqtt://127.0.0.1")
    assert (address.host, address.port, address.version, address.tls) == ("127.0.0.1", 1883, "5", None)
    assert (address.username, address.password, warnings) == (None, None, [])
    address, _ = parsed("mqtts://broker.example:8884?version=3.1.1")
    assert (address.host, address.port, address.version) == ("broker.example", 8884, "3.1.1")
    assert address.tls is not None
    assert parsed("mqtts://broker.example")[0].port == 8883


@pytest.mark.parametrize(
    "text",
    [
        "http://h",
        "mqtt://",
        "mqtt://h:0",
        "mqtt://h:99999",
        "mqtt://h/x",
        "mqtt://h?tls=off",
        "mqtts://h?insecure=1",
    ],
)
def test_what_is_no_broker(text: str) -> None:
    assert refused(text).startswith(f"--broker {text}: ")


@pytest.mark.parametrize(
    "text",
    [f"mqtt://user:{SECRET}@h", f"mqtts://{SECRET}@h", f"mqtt://u:{SECRET}@h:port", f"x://u:{SECRET}@h"],
)
def test_a_secret_in_the_url_is_refused_and_not_repeated(text: str) -> None:
    assert refused(text).startswith("--broker")


# ---------------------------------------------------------------- users and passwords


def test_a_password_comes_from_the_environment_or_from_a_file(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv(f"{PREFIX}USERNAME", "monitor")
    monkeypatch.setenv(f"{PREFIX}PASSWORD", SECRET)
    address, _ = parsed("mqtt://127.0.0.1")
    assert (address.username, address.password) == ("monitor", SECRET)
    assert SECRET not in repr(address)
    file = tmp_path / "password"
    file.write_text("from the file\r\n")
    name_files(monkeypatch, PASSWORD_FILE=file)
    assert parsed("mqtt://127.0.0.1")[0].password == "from the file", "the file stands before the variable"
    file.write_bytes(b"\xff\xfe")
    assert refused("mqtt://127.0.0.1").endswith("is not UTF-8 text")
    file.unlink()
    assert "cannot be read (No such file" in refused("mqtt://127.0.0.1")


@pytest.mark.parametrize(
    ("url", "warned"),
    [
        ("mqtt://127.0.0.1", False),
        ("mqtt://localhost", False),
        ("mqtt://[::1]", False),
        ("mqtt://192.0.2.7", True),
        ("mqtt://broker.example", True),
        ("mqtts://broker.example", False),
    ],
)
def test_a_password_in_the_clear_on_a_network_is_warned_of(
    monkeypatch: pytest.MonkeyPatch, url: str, warned: bool
) -> None:
    assert parsed(url)[1] == [], "without a user there is nothing to warn of"
    monkeypatch.setenv(f"{PREFIX}USERNAME", "monitor")
    monkeypatch.setenv(f"{PREFIX}PASSWORD", SECRET)
    _, warnings = parsed(url)
    assert bool(warnings) is warned
    assert all("cross the network" in w and "in the clear" in w and SECRET not in w for w in warnings)


def test_warnings_go_to_standard_error(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv(f"{PREFIX}USERNAME", "monitor")
    parse_broker("mqtt://broker.example")
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.startswith("lifebound: warning: the user name and password cross the network")


# ---------------------------------------------------------------- certificates


def test_certificates_and_names_are_always_checked(
    monkeypatch: pytest.MonkeyPatch, authority: Authority
) -> None:
    for authority_file in (None, authority.certificate):
        if authority_file:
            name_files(monkeypatch, CA_FILE=authority_file)
        context = parsed("mqtts://h")[0].tls
        assert context is not None
        assert context.verify_mode is ssl.CERT_REQUIRED
        assert context.check_hostname
        assert context.minimum_version >= ssl.TLSVersion.TLSv1_2
        trusted = context.cert_store_stats()["x509_ca"]
        assert authority_file is None or trusted == 1, "the named authority stands alone"


def test_an_authority_that_is_none_is_refused(
    monkeypatch: pytest.MonkeyPatch, authority: Authority, tmp_path: Path
) -> None:
    (tmp_path / "empty").touch()
    (tmp_path / "text").write_text("no certificate")
    for name, said in (("empty", "no certificate"), ("text", "no certificate"), ("gone", "cannot be read")):
        name_files(monkeypatch, CA_FILE=tmp_path / name)
        assert said in refused("mqtts://h").partition(": ")[2], name


def test_a_client_certificate_needs_both_files(monkeypatch: pytest.MonkeyPatch, authority: Authority) -> None:
    certificate, key = authority.of_client("monitor")
    name_files(monkeypatch, CERT_FILE=certificate)
    assert refused("mqtts://h").startswith(f"{PREFIX}KEY_FILE is not set, and {PREFIX}CERT_FILE is")
    monkeypatch.delenv(f"{PREFIX}CERT_FILE")
    name_files(monkeypatch, KEY_FILE=key)
    assert refused("mqtts://h").startswith(f"{PREFIX}CERT_FILE is not set, and {PREFIX}KEY_FILE is")
    name_files(monkeypatch, CERT_FILE=certificate)
    assert parsed("mqtts://h")[1] == []
    assert any("of no use" in warning for warning in parsed("mqtt://127.0.0.1")[1])


def test_a_client_certificate_that_cannot_be_used_is_refused(
    monkeypatch: pytest.MonkeyPatch, authority: Authority, tmp_path: Path
) -> None:
    (certificate, key), (_, other_key) = authority.of_client("monitor"), authority.of_client("oven-1")
    name_files(monkeypatch, CERT_FILE=certificate, KEY_FILE=other_key)
    assert "is not the key of the certificate" in refused("mqtts://h")
    name_files(monkeypatch, CERT_FILE=tmp_path / "gone", KEY_FILE=key)
    assert refused("mqtts://h").startswith(f"{PREFIX}CERT_FILE {tmp_path / 'gone'}: cannot be read")
    name_files(monkeypatch, CERT_FILE=certificate, KEY_FILE=tmp_path)
    assert refused("mqtts://h").startswith(f"{PREFIX}KEY_FILE {tmp_path}: cannot be read")
    name_files(monkeypatch, CERT_FILE=key, KEY_FILE=key)
    assert "both must be PEM" in refused("mqtts://h")


def test_a_key_that_others_can_read_is_warned_of(
    monkeypatch: pytest.MonkeyPatch, authority: Authority
) -> None:
    certificate, key = authority.of_client("monitor")
    name_files(monkeypatch, CERT_FILE=certificate, KEY_FILE=key)
    for mode, warned in ((0o600, False), (0o400, False), (0o640, True), (0o604, True)):
        key.chmod(mode)
        assert bool(parsed("mqtts://h")[1]) is warned, oct(mode)


def test_an_encrypted_key_needs_its_password(
    monkeypatch: pytest.MonkeyPatch, authority: Authority, tmp_path: Path
) -> None:
    certificate, key = authority.of_client("monitor")
    name_files(monkeypatch, CERT_FILE=certificate, KEY_FILE=encrypted(key, SECRET))
    assert f"is encrypted; name a file with its password in {PREFIX}KEY_PASSWORD_FILE" in refused("mqtts://h")
    file = tmp_path / "password"
    name_files(monkeypatch, KEY_PASSWORD_FILE=file)
    assert refused("mqtts://h").startswith(f"{PREFIX}KEY_PASSWORD_FILE {file}: cannot be read")
    file.write_text(f"not {SECRET[2:]}\n")
    assert "does not open it" in refused("mqtts://h")
    file.write_text("x" * 2000)
    assert refused("mqtts://h").startswith(f"{PREFIX}KEY_PASSWORD_FILE: ")
    file.write_text(f"{SECRET}\n")
    assert parsed("mqtts://h")[1] == []


def test_a_secret_may_come_through_a_pipe_but_none_is_waited_for_for_ever(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    monkeypatch.setenv("LIFEBOUND_MQTT_USERNAME", "monitor")
    monkeypatch.setenv("LIFEBOUND_MQTT_PASSWORD_FILE", str(pipe))
    with pytest.raises(InputError, match="a pipe that nobody writes to"):
        parse_broker("mqtt://127.0.0.1")
    writing = os.open(pipe, os.O_RDWR)
    try:
        os.write(writing, b"of the pipe\n")
        reading = threading.Timer(0.2, os.close, [writing])
        reading.start()
        found = parse_broker("mqtt://127.0.0.1")
        reading.join()
    except BaseException:
        os.close(writing)
        raise
    assert isinstance(found, Address)
    assert found.password == "of the pipe"
