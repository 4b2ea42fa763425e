"""HL7 v2 messages through the outbox: told by themselves, in order, once, held when refused, told again when corrected.

The peer is a server of hl7apy, or one that answers as a test tells it; messages are read back with python-hl7.
"""

import json

import hl7
import pytest
import trustme

from service.delivery.running import deliver_once
from service.store.audit import AuditAsked, find_events
from service.store.delivered_rows import delivered
from service.store.outbox_rows import WAITING, release_held
from tests.delivery.test_commands import NAME, SITE, as_json, call, record, url  # noqa: F401  # the fixture url
from tests.delivery.ward import small_check
from tests.hl7v2.peers import START, STOP, acknowledgement, library_peer, scripted_peer
from tests.intake.documents import amendment, retraction

LOCKED = "ERR|||206^Application record locked^HL70357|E||||held by R. Ostrander"
UNKNOWN = "ERR|||204^Unknown key identifier^HL70357|E||||no such patient"


def engine(ward, port, **settings):
    ward.destination(f"mllp://127.0.0.1:{port}", writing="oru", **settings)


def everything(ward):
    """Deliver until nothing is due; what became of it, in order."""
    found = []
    while counts := deliver_once(ward.delivering):
        found.append(counts)
    return sum(found, start=type(found[0])()) if found else {}


def entry_of(message):
    return str(hl7.parse(message).segment("OBR")[3]).partition("^")[0]


def status_of(message):
    return str(hl7.parse(message).segment("OBR")[25])


def answering(*codes):
    """An answer for each message in turn, then always the last; `(code, error segment)`, or bytes as they are."""
    left = list(codes)

    def answer(connection, block):
        control_id = block.decode().split("|")[9]
        given = left.pop(0) if len(left) > 1 else left[0]
        connection.sendall(given if isinstance(given, bytes) else acknowledgement(given[0], control_id, *given[1:]))

    return answer


def die(*_):
    """As by a signal, in the middle of writing down what became of it."""
    raise KeyboardInterrupt


def told(read):
    return [block[len(START) : -len(STOP)].decode() for block in read]


def test_every_entry_is_told_once_in_the_order_of_charting(ward):
    with library_peer() as (port, kept):
        engine(ward, port, receiving_application="CHART", receiving_facility="WARD", processing_id="T")
        ward.record(1)
        assert everything(ward) == {"again": 1, "delivered": 1}
        ward.add(1, small_check(2, "46.0"))
        assert everything(ward) == {"delivered": 1}
        assert everything(ward) == {}
    assert [entry_of(each) for each in kept] == ["alder-1/in-1", "alder-1/ch-1", "alder-1/ch-2"]
    head = hl7.parse(kept[0]).segment("MSH")
    assert [str(head[number]) for number in (4, 5, 6, 11)] == [SITE, "CHART", "WARD", "T"]
    assert ward.standing()[2:5] == (0, None, 0)


def test_a_correction_is_told_as_one_and_a_retraction_as_withdrawn(light):
    with library_peer() as (port, kept):
        engine(light, port)
        light.record(1)
        everything(light)
        del kept[:]
        light.add(1, amendment("am-1", small_check(1, "49.0")))
        everything(light)
        assert ("alder-1/ch-1", "C") in [(entry_of(each), status_of(each)) for each in kept]
        assert "|4.90|" in "".join(kept)
        del kept[:]
        light.add(1, retraction("rt-1", "ch-1"))
        everything(light)
    (withdrawn,) = [each for each in kept if entry_of(each) == "alder-1/ch-1"]
    assert {str(each[11]) for each in hl7.parse(withdrawn).segments("OBX")} == {"W"}


def test_what_was_charted_before_goes_too_when_it_is_asked_for(light):
    light.record(1, 2)
    with library_peer() as (port, kept):
        engine(light, port, backfill=True)
        assert everything(light) == {"again": 2, "delivered": 2}
    assert sorted(entry_of(each) for each in kept) == ["alder-1/ch-1", "alder-1/in-1", "alder-2/ch-1", "alder-2/in-1"]


def test_without_backfill_only_the_changed_entry_is_told(light):
    light.record(1)
    with library_peer() as (port, kept):
        engine(light, port)
        light.add(1, small_check(2, "46.0"))
        everything(light)
    assert [entry_of(each) for each in kept] == ["alder-1/ch-2"]


@pytest.mark.parametrize("code", ["AE", "AR"])
def test_a_refusal_holds_the_course_with_the_words_of_the_peer_until_a_person_decides(ward, code):
    with scripted_peer(answering((code, UNKNOWN), ("AA",))) as (port, read):
        engine(ward, port)
        ward.record(1, 2)
        assert everything(ward) == {"held": 1, "again": 1, "delivered": 1}
        (held,) = ward.rows("held")
        assert held.refusal == f"{code}: no such patient"
        ward.add(int(held.course_id[-1]), small_check(2, "46.0"))
        assert everything(ward) == {"nothing": 1}, "nothing of a held course goes"
        with ward.workflow.store.write(SITE, ward.clock()) as unit:
            release_held(unit.connection, SITE, NAME, held.course_id, WAITING, 0)
        assert everything(ward) == {"again": 2, "delivered": 1}
    later = [entry_of(each) for each in told(read)[3:]]
    assert later == [f"{held.course_id}/{own}" for own in ("in-1", "ch-1", "ch-2")]


def test_a_locked_record_puts_off_that_patient_and_its_words_stay_out_of_the_log(light, caplog):
    with scripted_peer(answering(("AE", LOCKED), ("AA",))) as (port, read):
        engine(light, port)
        light.record(1, 2)
        assert everything(light) == {"waits": 1, "again": 1, "delivered": 1}
        light.clock.move(3)
        assert everything(light) == {"again": 1, "delivered": 1}
    entries = [entry_of(each) for each in told(read)]
    assert entries[0] in entries[1:], "told again"
    assert len(set(entries)) == 4
    assert "locked" in caplog.text
    assert "Ostrander" not in caplog.text


@pytest.mark.parametrize("answer", [b"", START + b"HTTP/1.1 400 Bad Request" + STOP, acknowledgement("AA", "ANOTHER")])
def test_what_is_no_acknowledgement_puts_off_everything_and_the_same_message_comes_again(light, answer):
    with scripted_peer(answering(answer, ("AA",))) as (port, read):
        engine(light, port)
        light.record(1, 2)
        assert everything(light) == {"waits": 1}
        assert light.standing().failures == 1
        light.clock.move(3)
        assert everything(light) == {"again": 2, "delivered": 2}
        first, again = told(read)[0], told(read)[1:]
    assert first in again, "the same control id, by which a peer that had stored it can tell"
    assert light.standing().failures == 0


def test_a_peer_that_is_not_there_is_tried_again_without_end(light):
    with library_peer() as (port, _):
        pass
    engine(light, port)
    light.record(1)
    for _ in range(12):
        assert everything(light) == {"waits": 1}
        light.clock.move(1000)
    assert light.standing().waiting == 1


def test_a_sender_that_dies_before_it_wrote_down_the_acknowledgement_sends_the_same_message_again(ward, monkeypatch):
    with library_peer() as (port, kept):
        engine(ward, port)
        ward.record(1)
        with monkeypatch.context() as broken:
            broken.setattr("service.delivery.sending.note_delivered", die)
            with pytest.raises(KeyboardInterrupt):
                deliver_once(ward.delivering)
        ward.clock.move(ward.delivering.timeout_s * 12 + 1)
        everything(ward)
    assert [entry_of(each) for each in kept] == ["alder-1/in-1", "alder-1/in-1", "alder-1/ch-1"]
    assert kept[0] == kept[1]


def test_each_acknowledged_message_is_in_the_audit_record_with_every_version_told(light):
    with scripted_peer(answering(("AA",), ("AR", UNKNOWN))) as (port, _):
        engine(light, port)
        light.record(1)
        everything(light)
    with light.workflow.store.read(SITE) as reading:
        refused, taken = sorted(find_events(reading, AuditAsked()), key=lambda row: row.outcome, reverse=True)
        event = json.loads(taken.body)
        named = {each["what"]["reference"] for each in event["entity"] if "reference" in each["what"]}
        keys = [tuple(each.split("/")[:2]) for each in named if "/_history/" in each]
        known = delivered(reading.connection, SITE, NAME, keys)
    assert (taken.outcome, refused.outcome) == ("0", "4")
    assert json.loads(refused.body)["outcomeDesc"] == "acknowledged as refused"
    assert {f"{type_}/{id_}/_history/{one.version}" for (type_, id_), one in known.items()} < named
    roles = [(each["type"]["coding"][0]["code"], each["requestor"]) for each in event["agent"]]
    assert roles == [("110153", True), ("110152", False)]  # source and destination: DICOM PS3.16 CID 402, by R4
    assert event["agent"][1]["network"]["address"] == f"mllp://127.0.0.1:{port}"


def test_messages_go_over_tls_to_a_peer_whose_authority_is_trusted(light, tmp_path):
    import ssl

    authority = trustme.CA()
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(server)
    authority.cert_pem.write_to_path(tmp_path / "ca.pem")
    with scripted_peer(answering(("AA",)), tls=server) as (port, read):
        light.destination(f"mllps://localhost:{port}", writing="oru", ca_file=str(tmp_path / "ca.pem"))
        light.destination(f"mllps://localhost:{port}", writing="oru", name="doubting")
        light.record(1)
        counts = everything(light)
    assert (counts["delivered"], counts["waits"]) == (1, 1)
    assert len([block for block in read if block]) == 2


# The command line


def test_from_the_command_line_to_the_engine(url, tmp_path):  # noqa: F811  # the fixture
    record(url, 1)
    with library_peer() as (port, kept):
        address = f"mllp://127.0.0.1:{port}"
        added = ("destinations", "add", NAME, "--site", SITE, "--url", address, "--writing", "oru", "--backfill")
        named = ("--receiving-application", "CHART", "--authority", "https://alder-bay.example/mrn=ALDER")
        assert call(*added, *named).exit_code == 0
        checked = call("destinations", "check", NAME, "--site", SITE)
        assert (checked.exit_code, "can be reached, without TLS" in checked.stdout) == (0, True)
        listed = call("destinations", "list").stdout
        assert "ORU^R01, to CHART, processing P" in listed
        done = call("deliver", "--once")
        assert (done.exit_code, done.stdout.splitlines()[-1]) == (0, "1 again, 1 delivered")
        assert "ALDER&https://alder-bay.example/mrn&URI" in kept[0]
        changed = call("destinations", "change", NAME, "--site", SITE, "--processing-id", "D", "--per-minute", "60")
        assert changed.exit_code == 0
        assert as_json("destinations", "list")[0]["processing_id"] == "D"
    gone = call("destinations", "check", NAME, "--site", SITE)
    assert gone.exit_code == 1
    assert "problem: 127.0.0.1" in gone.stdout


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (("--url", "mllp://engine.example:2575"), "in the clear"),
        (("--url", "mllps://engine.example"), "no host:port"),
        (("--url", "https://engine.example/fhir"), "mllps://HOST:PORT"),
        (("--url", "mllps://engine.example:2575", "--type", "Task"), "--type is not for"),
        (("--url", "mllps://engine.example:2575", "--sign-in", "bearer"), "--sign-in is not for"),
        (("--url", "mllps://engine.example:2575", "--processing-id", "X"), "processing id"),
        (("--url", "mllps://engine.example:2575", "--authority", "nothing"), "SYSTEM=NAME"),
        (("--url", "mllps://engine.example:2575", "--receiving-facility", "a\nb"), "printable"),
    ],
)
def test_settings_of_messages_that_cannot_be_used_are_refused(url, given, why):  # noqa: F811  # the fixture
    refused = call("destinations", "add", NAME, "--site", SITE, "--writing", "oru", *given)
    assert refused.exit_code == 1
    assert why in refused.stderr
    assert as_json("destinations", "list") == []


def test_settings_of_messages_are_refused_for_a_fhir_server(url):  # noqa: F811  # the fixture
    asked = ("destinations", "add", NAME, "--site", SITE, "--url", "https://record.example/fhir", "--writing", "put")
    refused = call(*asked, "--receiving-application", "CHART")
    assert "--receiving-application is for --writing oru" in refused.stderr
    line = ("destinations", "add", NAME, "--site", SITE, "--writing", "oru", "--url", "mllp://engine.example:2575")
    assert call(*line, "--plain").exit_code == 0
