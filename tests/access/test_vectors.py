"""Signatures and keys of published standards (J1 to J3).

Sources: RFC 7515 A.1 to A.4; SMART App Launch 2.2.0, example tokens and their public keys; RFC 7638 3.1.
"""

import csv
import json
from pathlib import Path

import pytest
from joserfc import jws
from joserfc.errors import BadSignatureError
from joserfc.jwk import import_key

from service.access.assertion import AssertionFault, Expected, check_claims, check_signature, read_assertion
from service.access.keys import fitting_key, read_key_set, thumbprint
from tests.access.sender import base64url, key_set

LINES = [
    line
    for line in Path(__file__).with_name("jws_vectors.csv").read_text("utf-8").splitlines()
    if not line.startswith("#")
]
VECTORS = {row["id"]: row for row in csv.DictReader(LINES, delimiter="|", quoting=csv.QUOTE_NONE)}
SMART = [row for name, row in VECTORS.items() if name.startswith("smart")]
NAMES = pytest.mark.parametrize("name", VECTORS)
SMART_ROWS = pytest.mark.parametrize("row", SMART, ids=[row["alg"] for row in SMART])


def test_all_six_vectors_are_there():
    assert [row["alg"] for row in VECTORS.values()] == ["HS256", "RS256", "ES256", "ES512", "RS384", "ES384"]


@NAMES
def test_j1_the_library_verifies_the_published_signature(name):
    row = VECTORS[name]
    jws.deserialize_compact(row["compact"], import_key(json.loads(row["jwk"])), algorithms=[row["alg"]])


@NAMES
@pytest.mark.parametrize("place", [0, 5, -7, -2])
def test_j1_a_changed_character_of_the_signature_is_noticed(name, place):
    row = VECTORS[name]
    signed, _, signature = row["compact"].rpartition(".")
    characters = list(signature)
    characters[place] = "A" if characters[place] != "A" else "B"
    changed = f"{signed}.{''.join(characters)}"
    with pytest.raises(BadSignatureError):
        jws.deserialize_compact(changed, import_key(json.loads(row["jwk"])), algorithms=[row["alg"]])


@pytest.mark.parametrize("name", [name for name in VECTORS if not name.startswith("smart")])
def test_j4_an_algorithm_that_the_profile_does_not_name_is_refused_however_right_its_signature(name):
    with pytest.raises(AssertionFault):
        read_assertion(VECTORS[name]["compact"])


@SMART_ROWS
def test_j2_the_smart_example_verifies_with_its_public_key_and_is_refused_as_expired(row):
    found = read_assertion(row["compact"])
    assert found.client_id == "https://bili-monitor.example.com"
    assert found.claims["exp"] == 1422568860
    key = fitting_key(read_key_set(key_set(json.loads(row["jwk"]))), found.kid, found.algorithm)
    check_signature(found, key)
    audience = frozenset({"https://authorize.smarthealthit.org/token"})
    check_claims(found, Expected(audience, 1422568860 - 300))  # on the day that it was written for
    with pytest.raises(AssertionFault, match="exp is in the past"):
        check_claims(found, Expected(audience, 1764064800))


@SMART_ROWS
def test_j2_with_the_other_example_key_the_signature_does_not_hold(row):
    found = read_assertion(row["compact"])
    other = next(each for each in SMART if each is not row)
    stranger = read_key_set(key_set(json.loads(other["jwk"])))[0].key
    with pytest.raises(AssertionFault, match="signature"):
        check_signature(found, stranger)


@SMART_ROWS
def test_j1_the_last_character_counts_in_the_service_although_some_of_its_bits_carry_nothing(row):
    """Lenient base64 reads several last characters as the same octets; here only one spelling is the assertion."""
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    key = read_key_set(key_set(json.loads(row["jwk"])))[0].key
    text = row["compact"]
    for last in alphabet.replace(text[-1], ""):
        with pytest.raises(AssertionFault):
            check_signature(read_assertion(text[:-1] + last), key)


def test_j3_the_thumbprint_of_the_rfc_7638_key_is_the_printed_one():
    # The modulus is that of the example in RFC 7638 3.1, here from its octets as RFC 7515 A.2 does not share it.
    modulus = (
        "0vx7agoebGcQSuuPiLJXZptN9nndrQmbXEps2aiAFbWhM78LhWx4cbbfAAtVT86zwu1RK7aPFFxuhDR1L6tSoc_BJECPebWKRXjBZCiFV4n3okn"
        "jhMstn64tZ_2W-5JsGY4Hc5n9yBXArwl93lqt7_RN5w6Cf0h4QyQ5v-65YGjQR0_FDW2QvzqY368QQMicAtaSqzs8KJZgnYb9c7d0zgdAZHzu6q"
        "MQvRL5hajrn1n91CbOpbISD08qNLyrdkt-bFTWhAI4vMQFh6WeZu0fM4lFd2NcRwr3XPksINHaQ-G_xBniIqbw0Ls1jF44-csFCur-kEgU8awapJ"
        "zKnqDKgw"
    )
    jwk = {"kty": "RSA", "n": modulus, "e": "AQAB", "alg": "RS256", "kid": "2011-04-29"}
    assert thumbprint(jwk) == "NzbLsXh8uDCcd-6MNwXF4W_7noWXFZAfHkxZsRGC9Xs"


def test_the_senders_base64url_is_that_of_rfc_7515_appendix_c():
    assert base64url(bytes([3, 236, 255, 224, 193])) == "A-z_4ME"
