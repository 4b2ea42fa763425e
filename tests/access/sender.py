"""A client as the other side has it: its keys, and assertions signed without the library that the service uses."""

import json
from base64 import urlsafe_b64encode
from functools import cache
from itertools import count
from typing import Any

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec, padding, rsa
from cryptography.hazmat.primitives.asymmetric.utils import decode_dss_signature

PUBLIC_BASE = "http://127.0.0.1:8080"
TOKEN_URL = f"{PUBLIC_BASE}/auth/token"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
TYPES = ("Observation", "Patient", "Task", "Procedure")
_jti = count(1)


@cache
def rsa_key(name: str = "first", bits: int = 2048) -> rsa.RSAPrivateKey:
    """A private key of that name, made once a run."""
    return rsa.generate_private_key(65537, bits)


@cache
def ec_key(name: str = "first", curve: type[ec.EllipticCurve] = ec.SECP384R1) -> ec.EllipticCurvePrivateKey:
    """A private key of that name, made once a run."""
    return ec.generate_private_key(curve())


def base64url(octets: bytes) -> str:
    return urlsafe_b64encode(octets).rstrip(b"=").decode()


def number(value: int, length: int = 0) -> str:
    return base64url(value.to_bytes(max(length, (value.bit_length() + 7) // 8), "big"))


def rsa_jwk(key: rsa.RSAPrivateKey, kid: str = "rsa-1", **more: Any) -> dict[str, Any]:
    public = key.public_key().public_numbers()
    return {"kty": "RSA", "kid": kid, "n": number(public.n), "e": number(public.e), **more}


def ec_jwk(key: ec.EllipticCurvePrivateKey, kid: str = "ec-1", crv: str = "P-384", **more: Any) -> dict[str, Any]:
    public, length = key.public_key().public_numbers(), (key.curve.key_size + 7) // 8
    return {"kty": "EC", "crv": crv, "kid": kid, "x": number(public.x, length), "y": number(public.y, length), **more}


def key_set(*keys: dict[str, Any]) -> bytes:
    return json.dumps({"keys": list(keys)}).encode()


def both_keys() -> bytes:
    """The public keys that most tests register."""
    return key_set(rsa_jwk(rsa_key()), ec_jwk(ec_key()))


def claims(client_id: str, now_s: float, **changes: Any) -> dict[str, Any]:
    """Claims as they should be, with changes; a change to `...` leaves the claim out."""
    usual = {
        "iss": client_id,
        "sub": client_id,
        "aud": TOKEN_URL,
        "exp": int(now_s) + 240,
        "jti": f"jti-{next(_jti)}",
    }
    return {name: value for name, value in (usual | changes).items() if value is not ...}


def header(alg: str = "RS384", **changes: Any) -> dict[str, Any]:
    usual = {"alg": alg, "typ": "JWT", "kid": "rsa-1" if alg.startswith("RS") else "ec-1"}
    return {name: value for name, value in (usual | changes).items() if value is not ...}


def octets(value: Any) -> bytes:
    return value if isinstance(value, bytes) else json.dumps(value).encode()


def sign(message: bytes, alg: str, key: Any) -> bytes:
    """The signature of RFC 7518 3.3 or 3.4, by cryptography alone."""
    digest = {"256": hashes.SHA256, "384": hashes.SHA384, "512": hashes.SHA512}[alg[2:]]()
    if alg.startswith("RS"):
        return key.sign(message, padding.PKCS1v15(), digest)
    if alg.startswith("PS"):
        return key.sign(message, padding.PSS(padding.MGF1(digest), digest.digest_size), digest)
    length = (key.curve.key_size + 7) // 8
    r, s = decode_dss_signature(key.sign(message, ec.ECDSA(digest)))
    return r.to_bytes(length, "big") + s.to_bytes(length, "big")


def assertion(head: Any, payload: Any, key: Any = None, *, alg: str | None = None) -> str:
    """A JWS in compact form; `head` and `payload` may be bytes that are no JSON."""
    algorithm = alg or head["alg"]
    key = key or (rsa_key() if algorithm[0] in "RP" else ec_key())
    signed = f"{base64url(octets(head))}.{base64url(octets(payload))}"
    return f"{signed}.{base64url(sign(signed.encode(), algorithm, key))}"


def form(text: str, scope: str = "system/Observation.rs", **changes: Any) -> dict[str, str]:
    usual = {
        "grant_type": "client_credentials",
        "scope": scope,
        "client_assertion_type": ASSERTION_TYPE,
        "client_assertion": text,
    }
    return {name: value for name, value in (usual | changes).items() if value is not ...}
