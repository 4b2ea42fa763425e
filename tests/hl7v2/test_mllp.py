"""MLLP over real sockets: with the server of hl7apy, and with peers that answer badly, late or not at all."""

import socket
import ssl
import time

import pytest
import trustme

from service.hl7v2.mllp import Acknowledged, Refused, Temporary, read_answer, send
from tests.hl7v2.conftest import fields_of
from tests.hl7v2.peers import START, STOP, acknowledgement, library_peer, scripted_peer


@pytest.fixture(scope="module")
def message(told):
    return told("lower-leg-0302", "e04").encode()


@pytest.fixture(scope="module")
def control_id(message):
    return fields_of(message.decode(), "MSH")[0][10]


def exchange(message, codes, answer, timeout=5.0, **options):
    with scripted_peer(answer, **options) as (port, _):
        return send(message, "127.0.0.1", port, None, timeout, codes)


def test_a_library_server_takes_the_message_and_its_acknowledgement_is_understood(message, control_id, codes):
    with library_peer() as (port, kept):
        assert send(message, "127.0.0.1", port, None, 5, codes) == Acknowledged("AA", control_id)
    assert kept == [message.decode()]


@pytest.mark.parametrize("code", ["AE", "AR"])
def test_a_refusal_of_a_library_server_is_final(message, codes, code):
    with library_peer(code) as (port, _):
        answer = send(message, "127.0.0.1", port, None, 5, codes)
    assert isinstance(answer, Refused)
    assert answer.code == code


@pytest.mark.parametrize("code", ["AA", "CA"])
def test_both_modes_of_accepting_are_understood(message, control_id, codes, code):
    answer = exchange(message, codes, lambda peer, _: peer.sendall(acknowledgement(code, control_id)))
    assert answer == Acknowledged(code, control_id)


@pytest.mark.parametrize("code", ["AE", "AR", "CE", "CR"])
def test_every_refusal_keeps_the_words_of_the_peer(message, control_id, codes, code):
    error = "ERR||PID^1^3|204^Unknown key identifier^HL70357|E||||no such patient"
    answer = exchange(message, codes, lambda peer, _: peer.sendall(acknowledgement(code, control_id, error)))
    assert answer == Refused(code, "no such patient")


def test_a_locked_record_is_worth_another_try(message, control_id, codes):
    error = "ERR|||206^Application record locked^HL70357|E"
    answer = exchange(message, codes, lambda peer, _: peer.sendall(acknowledgement("AE", control_id, error)))
    words = "AE: 206^Application record locked^HL70357"
    assert answer == Temporary("the peer has the record locked", False, words, locked=True)


def test_an_answer_in_pieces_and_after_noise_is_put_together(message, control_id, codes):
    def dribble(peer, _):
        for byte in b"noise" + acknowledgement("AA", control_id):
            peer.sendall(bytes([byte]))

    assert exchange(message, codes, dribble) == Acknowledged("AA", control_id)


@pytest.mark.parametrize(
    ("sent", "why"),
    [
        (b"", "closed the connection"),
        (START + b"MSH|^~\\&|PEER\rMSA|AA|", "closed the connection"),
        (START + b"HTTP/1.1 400 Bad Request" + STOP, "no acknowledgement"),
        (b"MSH|^~\\&\rMSA|AA|X" + STOP, "not framed"),
        (acknowledgement("AA", "ANOTHER"), "different message"),
        (START + b"x" * 70_000, "too long"),
    ],
)
def test_an_answer_that_is_none_leaves_the_message_to_be_sent_again(message, codes, sent, why):
    answer = exchange(message, codes, lambda peer, _: peer.sendall(sent))
    assert isinstance(answer, Temporary)
    assert answer.may_have_arrived
    assert why in answer.why


def test_an_unknown_code_is_not_taken_for_success(control_id, codes):
    answer = read_answer(acknowledgement("ZZ", control_id)[1:-2], control_id, codes)
    assert isinstance(answer, Temporary)


def test_a_peer_that_does_not_answer_in_time_may_have_stored_it(message, codes):
    began = time.monotonic()
    answer = exchange(message, codes, lambda peer, _: time.sleep(1), timeout=0.3)
    assert answer == Temporary("timed out", may_have_arrived=True)
    assert time.monotonic() - began < 5


def test_the_time_is_one_for_the_whole_exchange_however_often_a_byte_comes(message, codes):
    def drip(peer, _):
        for _ in range(30):
            peer.sendall(b"x")
            time.sleep(0.05)

    assert exchange(message, codes, drip, timeout=0.4) == Temporary("timed out", may_have_arrived=True)


def test_where_nobody_listens_nothing_arrived(message, codes):
    with socket.create_server(("127.0.0.1", 0)) as closed:
        port = closed.getsockname()[1]
    answer = send(message, "127.0.0.1", port, None, 2, codes)
    assert isinstance(answer, Temporary)
    assert not answer.may_have_arrived


def test_a_message_that_holds_a_framing_byte_is_never_sent(message, codes):
    for faulty in (message + b"\x1c", message + b"\x0b", b"PID|1\r"):
        with pytest.raises(ValueError, match="message"):
            send(faulty, "127.0.0.1", 1, None, 1, codes)


def test_tls_is_spoken_and_an_unknown_authority_is_refused_before_anything_is_sent(message, control_id, codes):
    authority = trustme.CA()
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("localhost").configure_cert(server)
    trusting, doubting = ssl.create_default_context(), ssl.create_default_context()
    authority.configure_trust(trusting)
    take = scripted_peer(lambda peer, _: peer.sendall(acknowledgement("AA", control_id)), tls=server)
    with take as (port, read):
        assert send(message, "localhost", port, trusting, 5, codes) == Acknowledged("AA", control_id)
        refused = send(message, "localhost", port, doubting, 5, codes)
        assert isinstance(refused, Temporary)
        assert not refused.may_have_arrived
        assert [block for block in read if block] == [START + message + STOP]
