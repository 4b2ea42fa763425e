"""TLS by the service itself, with a throw-away authority (trustme) and real handshakes.

TLS 1.0 and 1.1 are deprecated (RFC 8996): a server must not negotiate them.
"""

import os
import shutil
import socket
import ssl
import subprocess
import sys

import pytest
import requests
import trustme
from cryptography.hazmat.primitives import serialization
from starlette.responses import PlainTextResponse

from service.api.limits import Limits
from service.commands.serving import start_refusal, with_base
from service.commands.tls import PASSWORD_FILE, TlsRefused, tls_context
from service.config import Settings
from tests.limits.served import served
from tests.live import free_port

PASSWORD = b"a pass phrase of the test"


async def app(scope, receive, send):
    if scope["type"] == "http":
        await PlainTextResponse(f"served over {scope['scheme']}")(scope, receive, send)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Authority, certificate and private key, the key also behind a password."""
    folder = tmp_path_factory.mktemp("tls")
    authority = trustme.CA()
    certificate = authority.issue_cert("127.0.0.1", "localhost")
    authority.cert_pem.write_to_path(str(folder / "authority.pem"))
    (folder / "certificate.pem").write_bytes(b"".join(each.bytes() for each in certificate.cert_chain_pems))
    key = serialization.load_pem_private_key(certificate.private_key_pem.bytes(), None)
    form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    (folder / "key.pem").write_bytes(key.private_bytes(*form, serialization.NoEncryption()))
    (folder / "locked.pem").write_bytes(key.private_bytes(*form, serialization.BestAvailableEncryption(PASSWORD)))
    (folder / "password").write_bytes(PASSWORD + b"\n")
    other = authority.issue_cert("127.0.0.1")
    other.private_key_pem.write_to_path(str(folder / "other.pem"))
    for name in ("key.pem", "locked.pem", "password", "other.pem"):
        (folder / name).chmod(0o600)
    return folder


@pytest.fixture(scope="module")
def port(files):
    with served(app, Limits(header_s=2), tls_context(files / "certificate.pem", files / "key.pem", {})) as port:
        yield port


def spoken(port, files, lowest, highest):
    """The version that a client of these versions gets; its own lower bounds on strength are lifted."""
    context = ssl.create_default_context(cafile=files / "authority.pem")
    context.set_ciphers("ALL:@SECLEVEL=0")
    context.minimum_version, context.maximum_version = lowest, highest
    with secured(port, context) as connection:
        return connection.version()


def secured(port, context):
    raw = socket.create_connection(("127.0.0.1", port), timeout=10)
    try:
        return context.wrap_socket(raw, server_hostname="127.0.0.1")
    except BaseException:
        raw.close()
        raise


def test_a_client_that_trusts_the_authority_is_served(port, files):
    answer = requests.get(f"https://127.0.0.1:{port}/", verify=files / "authority.pem", timeout=10)
    assert answer.text == "served over https"


def test_a_client_that_does_not_know_the_authority_turns_away(port):
    with pytest.raises(requests.exceptions.SSLError):
        requests.get(f"https://127.0.0.1:{port}/", timeout=10)


@pytest.mark.parametrize("version", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3], ids=["1.2", "1.3"])
def test_the_present_versions_are_spoken(port, files, version):
    assert spoken(port, files, version, version) == version.name.replace("_", ".")


@pytest.mark.filterwarnings("ignore:ssl.TLSVersion:DeprecationWarning")  # that they are deprecated is the point
@pytest.mark.parametrize("name", ["TLSv1", "TLSv1_1"])
def test_the_deprecated_versions_are_refused_by_the_server(port, files, name):
    version = ssl.TLSVersion[name]
    lenient = tls_context(files / "certificate.pem", files / "key.pem", {})
    lenient.set_ciphers("ALL:@SECLEVEL=0")
    lenient.minimum_version = version
    with served(app, Limits(), lenient) as elsewhere:  # the client itself is able to
        assert spoken(elsewhere, files, version, version) == name.replace("_", ".")
    with pytest.raises((ssl.SSLError, ConnectionError)):  # the event loop closes before the alert is out
        spoken(port, files, version, version)


def test_a_client_in_the_clear_gets_nothing(port):
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        assert b"served" not in connection.recv(1000)


def test_a_slow_header_is_cut_over_tls_too(port, files):
    context = ssl.create_default_context(cafile=files / "authority.pem")
    with secured(port, context) as connection:
        connection.sendall(b"GET / HTTP/1.1\r\n")
        assert connection.recv(1000).startswith(b"HTTP/1.1 408")


def test_a_key_behind_a_password_is_opened_from_its_file(files):
    environment = {PASSWORD_FILE: str(files / "password")}
    assert tls_context(files / "certificate.pem", files / "locked.pem", environment)


def test_without_tls_there_is_no_context():
    assert tls_context(None, None, {}) is None


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o666, 0o610])
@pytest.mark.parametrize("secret", ["key.pem", "password"])
def test_a_secret_that_others_may_read_is_refused_with_what_to_do(files, tmp_path, mode, secret):
    for name in ("key.pem", "password"):
        shutil.copy(files / name, tmp_path / name)
        (tmp_path / name).chmod(0o600)
    (tmp_path / secret).chmod(mode)
    with pytest.raises(TlsRefused, match=rf"{secret}: others than its owner.*mode {mode:o}.*chmod 600"):
        tls_context(files / "certificate.pem", tmp_path / "key.pem", {PASSWORD_FILE: str(tmp_path / "password")})


@pytest.mark.parametrize(
    ("certificate", "key", "said"),
    [
        ("certificate.pem", None, "both files"),
        (None, "key.pem", "both files"),
        ("certificate.pem", "other.pem", "key values mismatch"),
        ("certificate.pem", "locked.pem", "its password"),
        ("certificate.pem", "absent.pem", "No such file"),
        ("absent.pem", "key.pem", "no such file"),
        ("password", "key.pem", "PEM files are needed"),
    ],
)
def test_files_that_cannot_be_used_are_refused_in_words(files, certificate, key, said):
    with pytest.raises(TlsRefused, match=said) as refusal:
        tls_context(certificate and files / certificate, key and files / key, {})
    assert PASSWORD.decode() not in str(refusal.value)


def test_links_say_https_where_the_service_speaks_it_and_the_deployments_own_base_stands():
    assert with_base(Settings(), "127.0.0.1", 8443, secure=True).public_base == "https://127.0.0.1:8443"
    assert with_base(Settings(), "::1", 8080, secure=False).public_base == "http://[::1]:8080"
    named = Settings(public_base="https://readings.example")
    assert with_base(named, "127.0.0.1", 8443, secure=False) == named


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
def test_loopback_may_start(host):
    assert start_refusal(host, Settings()) is None


def test_serve_refuses_a_key_that_others_may_read_before_anything_else(files, tmp_path):
    shutil.copy(files / "key.pem", tmp_path / "key.pem")
    (tmp_path / "key.pem").chmod(0o644)
    done = subprocess.run(
        [
            sys.executable, "-c",
            "import sys; from pathlib import Path; from service.commands.serving import run_server;"
            "sys.exit(run_server('127.0.0.1', int(sys.argv[1]), False, Path(sys.argv[2]), Path(sys.argv[3])))",
            str(free_port()), str(files / "certificate.pem"), str(tmp_path / "key.pem"),
        ],
        env=os.environ | {"DATABASE_URL": f"sqlite:///{tmp_path}/none.sqlite3"},
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("refused: ")
    assert "chmod 600" in done.stderr
    assert not (tmp_path / "none.sqlite3").exists()
