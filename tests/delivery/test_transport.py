"""Requests to a destination, with answers made up: what is sent, and what each fault of a network means."""

import json
import ssl
from datetime import UTC, datetime, timedelta

import httpx
import pytest
import respx
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from service.delivery import transport as transports
from service.delivery.answers import read_answer
from service.delivery.destination import Destination
from service.delivery.faults import DestinationFault, Refused, Temporary
from service.delivery.gathering import Outgoing
from service.delivery.running import deliver_once
from service.delivery.transport import Transport
from service.store.delivered_rows import Delivered
from tests.delivery.ward import NAME, SITE

URL = "https://record.alder-bay.example/fhir"


@pytest.fixture
def sending():
    transport = Transport(Destination(SITE, NAME, URL), 5.0)
    yield transport
    transport.close()


@respx.mock
def test_a_bundle_is_posted_to_the_base_as_fhir_json(sending):
    route = respx.post(URL).respond(200, json={})
    answer = sending.post(URL, b"{}", {"X-Request-Id": "r-1"})
    asked = route.calls.last.request
    assert answer.status == 200
    assert asked.headers["content-type"] == "application/fhir+json"
    assert asked.headers["accept"] == "application/fhir+json"
    assert asked.headers["x-request-id"] == "r-1"
    assert asked.headers["accept-encoding"] == "identity"
    assert asked.headers["user-agent"].startswith("closure-readings/")


@pytest.mark.parametrize(
    "fault",
    [httpx.ConnectError, httpx.ConnectTimeout, httpx.ReadTimeout, httpx.WriteError, httpx.RemoteProtocolError,
     httpx.PoolTimeout, httpx.ReadError],
)  # fmt: skip
@respx.mock
def test_every_fault_of_the_transport_is_temporary_and_its_name_is_all_that_is_told(sending, fault):
    respx.post(URL).mock(side_effect=fault("Jorin Haskett"))
    with pytest.raises(Temporary) as met:
        sending.post(URL, b"{}", {})
    assert str(met.value) == fault.__name__


@respx.mock
def test_a_redirect_is_not_followed(sending):
    respx.post(URL).respond(307, headers={"Location": "https://elsewhere.example/fhir"})
    assert sending.post(URL, b"{}", {}).status == 307
    assert len(respx.calls) == 1


@respx.mock
def test_an_answer_that_never_ends_is_given_up(monkeypatch):
    ticks = iter(range(0, 1000, 4))
    slow = Transport(Destination(SITE, NAME, URL), 5.0, ticks=lambda: float(next(ticks)))
    respx.post(URL).mock(return_value=httpx.Response(200, content=iter([b"a"] * 50)))
    with pytest.raises(Temporary, match="slowly"):
        slow.post(URL, b"{}", {})
    slow.close()


@respx.mock
def test_an_answer_that_is_too_large_is_given_up(sending, monkeypatch):
    monkeypatch.setattr(transports, "LARGEST_ANSWER", 10)
    respx.post(URL).respond(200, content=b"x" * 11)
    with pytest.raises(Temporary, match="more than"):
        sending.post(URL, b"{}", {})


def test_certificates_that_are_none_are_refused(tmp_path):
    (tmp_path / "ca.pem").write_text("no certificate")
    with pytest.raises(DestinationFault, match="certificates"):
        Transport(Destination(SITE, NAME, URL, ca_file=str(tmp_path / "ca.pem")), 5.0)


def certificate(folder):
    """A certificate for the loopback address, signed by itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "alder-bay.example")])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )
    (folder / "ca.pem").write_bytes(made.public_bytes(Encoding.PEM))
    (folder / "key.pem").write_bytes(key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(folder / "ca.pem", folder / "key.pem")
    return context


def test_a_server_is_trusted_by_the_certificates_named_for_it_alone(light, tmp_path):
    from tests.delivery.receiver import receiver
    from tests.delivery.ward import PATIENTS

    with receiver(tls=certificate(tmp_path)) as running:
        running.server.patient(PATIENTS, "AB-1")
        light.destination(running.base, name="stranger")
        light.destination(running.base, ca_file=str(tmp_path / "ca.pem"))
        light.record(1)
        assert deliver_once(light.delivering) == {"waits": 1, "delivered": 1}
    assert light.standing("stranger").fault == "ConnectError"


# What an answer says


def outgoing(*types, known=None):
    return [Outgoing((type_, f"id-{n}"), 3, {"resourceType": type_}, known) for n, type_ in enumerate(types)]


def answered(*responses):
    entries = [{"response": each} for each in responses]
    return json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}).encode()


@pytest.mark.parametrize("body", [b"<html>sign in</html>", b"", b"[]", b'{"resourceType":"Patient"}', b'{"entry":[]}'])
def test_a_success_that_is_no_answer_of_a_fhir_server_is_temporary(body):
    with pytest.raises(Temporary):
        read_answer(body, outgoing("Flag"), [None])


def test_an_entry_that_failed_within_a_success_is_a_refusal():
    body = answered({"status": "201 Created"}, {"status": "422", "outcome": {"resourceType": "OperationOutcome"}})
    with pytest.raises(Refused, match="entry 1: HTTP 422"):
        read_answer(body, outgoing("Flag", "Task"), [None, None])


def test_an_answer_with_another_number_of_entries_is_a_refusal():
    with pytest.raises(Refused, match="2 entries sent, 1 answered"):
        read_answer(answered({"status": "201"}), outgoing("Flag", "Task"), [None, None])


@pytest.mark.parametrize(
    "location",
    ["Flag/77/_history/1", "https://record.alder-bay.example/fhir/Flag/77/_history/1", "Flag/77", "/fhir/Flag/77/"],
)
def test_the_id_is_read_from_every_form_of_location(location):
    (became,) = read_answer(answered({"status": "201", "location": location}), outgoing("Flag"), [None])
    assert became.row == Delivered("Flag", "id-0", "77", 3, theirs=False)
    assert became.settled


def test_what_was_there_before_is_ours_to_update_unless_it_is_a_patient():
    body = answered({"status": "200 OK", "location": "Flag/7"}, {"status": "200 OK", "location": "Patient/8"})
    flag, patient = read_answer(body, outgoing("Flag", "Patient"), [None, None])
    assert (flag.row.version, flag.row.theirs, flag.settled) == (0, False, False)
    assert (patient.row.version, patient.row.theirs, patient.settled) == (0, True, True)


def test_where_the_answer_names_no_id_it_is_looked_up_by_identifier(light):
    from tests.delivery.receiver import receiver
    from tests.delivery.ward import PATIENTS

    with receiver(assigns_ids=True) as running:
        running.server.patient(PATIENTS, "AB-1")
        told = running.server.transaction

        def silent(bundle):
            answer = told(bundle)
            return answer | {"entry": [{"response": {"status": one["response"]["status"]}} for one in answer["entry"]]}

        running.server.transaction = silent
        light.destination(running.base, writing="conditional", types=("Task", "Flag"))
        light.record(1)
        assert deliver_once(light.delivering) == {"delivered": 1}
        assert any(verb == "GET" for verb, _, _ in running.requests)
