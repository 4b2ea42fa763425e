"""Assertions that somebody made to get in: each is refused as `invalid_client`, and none breaks the service.

The kinds follow RFC 8725 (JSON Web Token Best Current Practices) 2 and 3, RFC 7515, RFC 7518 and RFC 7523 3.
"""

import json
import string

import pytest
from cryptography.hazmat.primitives import hashes, hmac
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from service.access.faults import TokenRefused
from service.access.key_fetch import KeySets
from service.access.token_endpoint import TokenEndpoint
from tests.access.conftest import NOW
from tests.access.sender import (
    TOKEN_URL,
    TYPES,
    assertion,
    base64url,
    claims,
    ec_key,
    form,
    header,
    octets,
    rsa_jwk,
    rsa_key,
)

NOW_S = int(NOW.timestamp())
CASES = {}


def case(function):
    CASES[function.__name__.replace("_", " ")] = function
    return function


def cases(prefix, rows):
    """One case a row, each with its name."""
    for name, make in rows.items():
        CASES[f"{prefix}: {name}"] = make


def head_with(**changes):
    changed = {name: value for name, value in (header() | changes).items() if value is not ...}
    return lambda me: assertion(changed, claims(me, NOW_S), alg="RS384")


def claim(**changes):
    return lambda me: assertion(header(), claims(me, NOW_S, **changes))


def unsigned(head, payload, signature=""):
    return f"{base64url(octets(head))}.{base64url(octets(payload))}.{signature}"


def keyed_hash(head, payload, secret, digest=hashes.SHA384):
    signed = f"{base64url(octets(head))}.{base64url(octets(payload))}"
    made = hmac.HMAC(secret, digest())
    made.update(signed.encode())
    return f"{signed}.{base64url(made.finalize())}"


PUBLIC_PEM = rsa_key().public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
PUBLIC_DER = rsa_key().public_key().public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)

cases(
    "alg",
    {
        "none without a signature": lambda me: unsigned(header("none"), claims(me, NOW_S)),
        "none with the signature of another": lambda me: unsigned(
            header("none"), claims(me, NOW_S), claim()(me).rpartition(".")[2]
        ),
        "None": lambda me: unsigned(header("None"), claims(me, NOW_S), "AAAA"),
        "NONE": lambda me: unsigned(header("NONE"), claims(me, NOW_S), "AAAA"),
        "nOnE": lambda me: unsigned(header("nOnE"), claims(me, NOW_S), "AAAA"),
        "empty": head_with(alg=""),
        "missing": head_with(alg=...),
        "null": head_with(alg=None),
        "a number": head_with(alg=384),
        "a list": head_with(alg=["RS384"]),
        "an object": head_with(alg={"RS384": True}),
        "small letters": head_with(alg="rs384"),
        "a blank at its end": head_with(alg="RS384 "),
        "RS256": lambda me: assertion(header("RS256"), claims(me, NOW_S)),
        "RS512": lambda me: assertion(header("RS512"), claims(me, NOW_S)),
        "PS384": lambda me: assertion(header("PS384", kid="rsa-1"), claims(me, NOW_S)),
        "ES256 over the P-384 key": lambda me: assertion(header("ES256"), claims(me, NOW_S)),
        "HS384 keyed by the public key as PEM": lambda me: keyed_hash(
            header("HS384", kid="rsa-1"), claims(me, NOW_S), PUBLIC_PEM
        ),
        "HS384 keyed by the public key as DER": lambda me: keyed_hash(
            header("HS384", kid="rsa-1"), claims(me, NOW_S), PUBLIC_DER
        ),
        "HS384 keyed by the JWK": lambda me: keyed_hash(
            header("HS384", kid="rsa-1"), claims(me, NOW_S), json.dumps(rsa_jwk(rsa_key())).encode()
        ),
        "HS384 keyed by nothing": lambda me: keyed_hash(header("HS384"), claims(me, NOW_S), b"\0"),
        "RS384 said, keyed hash made": lambda me: keyed_hash(header("RS384"), claims(me, NOW_S), PUBLIC_PEM),
        "ES384 said over an RSA signature": lambda me: assertion(
            header("ES384", kid="rsa-1"), claims(me, NOW_S), alg="RS384"
        ),
        "RS384 said over an EC signature": lambda me: assertion(
            header("RS384", kid="ec-1"), claims(me, NOW_S), ec_key(), alg="ES384"
        ),
        "RS384 said over a PSS signature": lambda me: assertion(header("RS384"), claims(me, NOW_S), alg="PS384"),
        "RS384 said over a SHA-256 signature": lambda me: assertion(header("RS384"), claims(me, NOW_S), alg="RS256"),
        "EdDSA": head_with(alg="EdDSA"),
        "dir": head_with(alg="dir"),
    },
)
cases(
    "kid",
    {
        "missing": head_with(kid=...),
        "empty": head_with(kid=""),
        "null": head_with(kid=None),
        "a number": head_with(kid=1),
        "a list": head_with(kid=["rsa-1"]),
        "unknown": head_with(kid="rsa-2"),
        "of the other key": head_with(kid="ec-1"),
        "a path": head_with(kid="../../../../dev/null"),
        "a query": head_with(kid="rsa-1' OR '1'='1"),
        "other letters": head_with(kid="RSA-1"),
        "a NUL at its end": head_with(kid="rsa-1\x00"),
        "a thousand characters": head_with(kid="k" * 1000),
    },
)
cases(
    "header",
    {
        "typ missing": head_with(typ=...),
        "typ in small letters": head_with(typ="jwt"),
        "typ of an access token": head_with(typ="at+jwt"),
        "typ null": head_with(typ=None),
        "crit with an unknown name": head_with(crit=["exp"], exp=NOW_S),
        "crit empty": head_with(crit=[]),
        "b64 false and critical": head_with(crit=["b64"], b64=False),
        "jku though keys were handed over": head_with(jku="https://keys.example/jwks.json"),
        "jku of this machine": head_with(jku="http://127.0.0.1/jwks.json"),
        "jku a number": head_with(jku=7),
        "jku null": head_with(jku=None),
        "a name twice": lambda me: assertion(
            b'{"alg":"none","typ":"JWT","kid":"rsa-1","alg":"RS384"}', claims(me, NOW_S), alg="RS384"
        ),
        "a list": lambda me: assertion(b'["RS384"]', claims(me, NOW_S), alg="RS384"),
        "a text": lambda me: assertion(b'"RS384"', claims(me, NOW_S), alg="RS384"),
        "no JSON": lambda me: assertion(b"alg=RS384", claims(me, NOW_S), alg="RS384"),
        "not UTF-8": lambda me: assertion(b'{"alg":"RS384","typ":"JWT","kid":"\xff"}', claims(me, NOW_S), alg="RS384"),
        "a byte order mark": lambda me: assertion(b"\xef\xbb\xbf" + octets(header()), claims(me, NOW_S), alg="RS384"),
        "empty": lambda me: "." + claim()(me).partition(".")[2],
        "nested a thousand deep": lambda me: assertion(b"[" * 1000 + b"]" * 1000, claims(me, NOW_S), alg="RS384"),
    },
)


@case
def embedded_key_of_the_attacker(me):
    stranger = rsa_key("stranger")
    return assertion(header(jwk=rsa_jwk(stranger), kid="mine"), claims(me, NOW_S), stranger)


@case
def embedded_key_of_the_attacker_under_the_registered_kid(me):
    stranger = rsa_key("stranger")
    return assertion(header(jwk=rsa_jwk(stranger)), claims(me, NOW_S), stranger)


@case
def embedded_certificate(me):
    return assertion(header(x5c=["MIIB"], x5u="https://attacker.example/c"), claims(me, NOW_S), rsa_key("stranger"))


@case
def signed_by_a_stranger_under_the_registered_kid(me):
    return assertion(header(), claims(me, NOW_S), rsa_key("stranger"))


@case
def signed_on_another_curve(me):
    return assertion(header("ES384"), claims(me, NOW_S), ec_key("small", ec.SECP256R1))


@case
def payload_changed_after_signing(me):
    first, _, last = claim()(me).split(".")
    return f"{first}.{base64url(octets(claims(me, NOW_S, jti='other')))}.{last}"


@case
def header_changed_after_signing(me):
    _, payload, last = claim()(me).split(".")
    return f"{base64url(octets(header(extra=1)))}.{payload}.{last}"


@case
def signature_of_another_assertion(me):
    return f"{claim()(me).rpartition('.')[0]}.{claim()(me).rpartition('.')[2]}"


@case
def signature_empty(me):
    return claim()(me).rpartition(".")[0] + "."


@case
def signature_missing(me):
    return claim()(me).rpartition(".")[0]


@case
def signature_cut(me):
    return claim()(me)[:-8]


@case
def signature_lengthened(me):
    return claim()(me) + "AAAA"


@case
def signature_zeros_for_es384(me):
    """The numbers 0 and 0, which some libraries took for a signature of anything."""
    return unsigned(header("ES384"), claims(me, NOW_S), base64url(bytes(96)))


@case
def signature_of_es384_in_der(me):
    signed = f"{base64url(octets(header('ES384')))}.{base64url(octets(claims(me, NOW_S)))}"
    return f"{signed}.{base64url(ec_key().sign(signed.encode(), ec.ECDSA(hashes.SHA384())))}"


@case
def signature_in_the_base64_of_mail(me):
    text = claim()(me)
    head, _, signature = text.rpartition(".")
    return f"{head}.{signature}=="


@case
def signature_with_spare_bits_changed(me):
    text = claim()(me)
    alphabet = string.ascii_uppercase + string.ascii_lowercase + string.digits + "-_"
    return text[:-1] + alphabet[alphabet.index(text[-1]) ^ 1]


@case
def five_parts_like_an_encrypted_token(me):
    return claim()(me) + ".AAAA.AAAA"


@case
def json_serialisation(me):
    first, second, last = claim()(me).split(".")
    return json.dumps({"protected": first, "payload": second, "signature": last})


@case
def blanks_within(me):
    return claim()(me).replace(".", ". ", 1)


@case
def a_line_break_at_its_end(me):
    return claim()(me) + "\n"


@case
def a_megabyte(me):
    return assertion(header(), claims(me, NOW_S, padding="x" * 1_000_000))


@case
def letters_beyond_ascii(me):
    return "é.ü.ß"


@case
def digits_of_another_script(me):
    return "１２３.４５６.７８９"


cases(
    "garbage",
    {
        "one point": lambda me: ".",
        "two points": lambda me: "..",
        "a word": lambda me: "garbage",
        "an access token": lambda me: "xX" * 21 + "x",
        "NUL": lambda me: "\x00.\x00.\x00",
        "half a surrogate pair": lambda me: "\ud800.\ud800.\ud800",
    },
)
cases(
    "claim",
    {
        "iss missing": claim(iss=...),
        "iss of nobody": claim(iss="nobody"),
        "iss a list": lambda me: claim(iss=[me])(me),
        "iss a number": claim(iss=1),
        "iss with a query in it": claim(iss="' OR 1=1 --", sub="' OR 1=1 --"),
        "iss with a NUL": claim(iss="x\x00", sub="x\x00"),
        "iss with half a surrogate pair": lambda me: assertion(
            header(), b'{"iss":"\\ud800","sub":"\\ud800","aud":"%s","exp":%d}' % (TOKEN_URL.encode(), NOW_S + 9)
        ),
        "iss a thousand long": claim(iss="i" * 1000, sub="i" * 1000),
        "sub missing": claim(sub=...),
        "sub another": claim(sub="somebody-else"),
        "iss another": claim(iss="somebody-else"),
        "aud missing": claim(aud=...),
        "aud null": claim(aud=None),
        "aud empty": claim(aud=""),
        "aud another server": claim(aud="https://other.example/auth/token"),
        "aud with a slash more": claim(aud=TOKEN_URL + "/"),
        "aud the FHIR base": claim(aud="http://127.0.0.1:8080/fhir"),
        "aud in capitals": claim(aud=TOKEN_URL.upper()),
        "aud a longer address": claim(aud=TOKEN_URL + ".attacker.example"),
        "aud an empty list": claim(aud=[]),
        "aud also of another server": claim(aud=[TOKEN_URL, "https://other.example/auth/token"]),
        "aud a list in a list": claim(aud=[[TOKEN_URL]]),
        "aud an object": claim(aud={"url": TOKEN_URL}),
        "exp missing": claim(exp=...),
        "exp null": claim(exp=None),
        "exp as text": claim(exp=str(NOW_S + 100)),
        "exp true": claim(exp=True),
        "exp with a fraction": claim(exp=NOW_S + 100.5),
        "exp written as a decimal": lambda me: assertion(
            header(), json.dumps(claims(me, NOW_S, exp=0)).replace('"exp": 0', f'"exp": {NOW_S + 100}.0').encode()
        ),
        "exp in milliseconds": claim(exp=(NOW_S + 100) * 1000),
        "exp now": claim(exp=NOW_S),
        "exp a second ago": claim(exp=NOW_S - 1),
        "exp negative": claim(exp=-1),
        "exp in 301 seconds": claim(exp=NOW_S + 301),
        "exp in ten years": claim(exp=NOW_S + 315_360_000),
        "exp of forty digits": claim(exp=10**40),
        "exp of four hundred digits": claim(exp=10**400),
        "exp infinite": lambda me: assertion(
            header(), json.dumps(claims(me, NOW_S, exp=0)).replace('"exp": 0', '"exp": 1e999').encode()
        ),
        "exp not a number": lambda me: assertion(
            header(), json.dumps(claims(me, NOW_S, exp=0)).replace('"exp": 0', '"exp": NaN').encode()
        ),
        "exp twice": lambda me: assertion(
            header(), json.dumps(claims(me, NOW_S)).replace('"exp"', f'"exp": {NOW_S + 9}, "exp"').encode()
        ),
        "nbf in a minute": claim(nbf=NOW_S + 60),
        "iat in a minute": claim(iat=NOW_S + 60),
        "iat as text": claim(iat="now"),
        "jti missing": claim(jti=...),
        "jti empty": claim(jti=""),
        "jti null": claim(jti=None),
        "jti a number": claim(jti=1),
        "jti a list": claim(jti=["a"]),
        "jti 256 long": claim(jti="j" * 256),
        "no object": lambda me: assertion(header(), b'["iss"]'),
        "no JSON": lambda me: assertion(header(), b"iss=me"),
        "nothing": lambda me: assertion(header(), b""),
        "not UTF-8": lambda me: assertion(header(), b'{"iss":"\xff"}'),
    },
)


@pytest.mark.parametrize("name", CASES)
def test_a_hostile_assertion_gets_no_token(endpoint, client_id, database, name):
    with pytest.raises(TokenRefused) as refused:
        endpoint.grant(form(CASES[name](client_id)), NOW)
    assert refused.value.error == "invalid_client"
    assert refused.value.status == 400
    with database.read() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM access_tokens").scalar() == 0


def test_there_are_at_least_sixty_hostile_cases():
    assert len(CASES) >= 60
    print(f"{len(CASES)} hostile assertions")


def test_the_same_assertion_without_the_hostile_change_is_taken(endpoint, client_id):
    """Else every case above could be refused for a fault of the test's own."""
    endpoint.grant(form(claim()(client_id)), NOW)
    endpoint.grant(form(assertion(header("ES384"), claims(client_id, NOW_S))), NOW)
    endpoint.grant(form(claim(aud=[TOKEN_URL], iat=NOW_S, nbf=NOW_S)(client_id)), NOW)
    endpoint.grant(form(head_with(x5t="ignored", cty="ignored")(client_id)), NOW)
    endpoint.grant(form(claim(jti="ü" * 255, more={"claims": ["are", "passed over"]})(client_id)), NOW)


def test_a_jku_that_is_not_exactly_the_registered_url_is_refused(database):
    from service.access.clients import keys_at
    from tests.access.conftest import new_client

    hosts = frozenset({"keys.example"})
    client_id = new_client(database, keys=keys_at("https://keys.example/jwks.json", hosts))
    endpoint = TokenEndpoint(database, KeySets(hosts), TOKEN_URL, TYPES)
    for jku in ("https://keys.example/JWKS.json", "https://keys.example/jwks.json#", "https://keys.example/jwks.json?"):
        with pytest.raises(TokenRefused) as refused:
            endpoint.grant(form(head_with(jku=jku)(client_id)), NOW)
        assert refused.value.reason == "jku is not the registered URL"
