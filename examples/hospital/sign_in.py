"""Sign in as SMART Backend Services: a signed assertion for a token of some minutes, anew before it ends.

https://hl7.org/fhir/smart-app-launch/backend-services.html. Run by itself: what was granted.
"""

import json
import os
import time
import uuid
from pathlib import Path

import requests
from joserfc import jwt
from joserfc.jwk import import_key

WITHIN_S = (5, 30)  # to connect, to answer
RENEWED_BEFORE_S = 30
ASSERTION = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


class SignIn(requests.auth.AuthBase):
    """Puts a valid token into every request of a session."""

    def __init__(self) -> None:
        base = os.environ["READINGS_BASE"]  # of the FHIR API: https://readings.hospital.example/fhir
        self.client_id = os.environ["READINGS_CLIENT_ID"]
        self.key = import_key(json.loads(Path(os.environ["READINGS_KEY_FILE"]).read_text()))
        self.scope = os.environ.get("READINGS_SCOPE", "system/*.rs")
        told = requests.get(f"{base}/.well-known/smart-configuration", timeout=WITHIN_S).json()
        self.token_url, self.token, self.ends = told["token_endpoint"], "", 0.0

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        if time.monotonic() > self.ends - RENEWED_BEFORE_S:
            self.renew()
        request.headers["Authorization"] = f"Bearer {self.token}"
        return request

    def renew(self) -> str:
        """Get the next token; what the server says of a refusal is for the person who set this up."""
        begun = time.monotonic()
        form = {"grant_type": "client_credentials", "scope": self.scope}
        form |= {"client_assertion_type": ASSERTION, "client_assertion": self.assertion()}
        answer = requests.post(self.token_url, form, timeout=WITHIN_S)
        if answer.status_code in (429, 500, 502, 503, 504):
            raise requests.ConnectionError("no token for the moment")  # tried again, see server.py
        if not answer.ok:
            raise SystemExit(f"not signed in ({answer.status_code}): {answer.text[:500]}")
        granted = answer.json()
        self.token, self.ends = granted["access_token"], begun + granted["expires_in"]
        return f"{granted['scope']} for {granted['expires_in']} s"

    def assertion(self) -> str:
        """Good for one request: its jti is never used again. Four minutes, since clocks differ."""
        who, ends = self.client_id, int(time.time()) + 240
        claims = {"iss": who, "sub": who, "aud": self.token_url, "exp": ends, "jti": str(uuid.uuid4())}
        return jwt.encode({"alg": "ES384", "kid": self.key.kid}, claims, self.key, algorithms=["ES384"])


if __name__ == "__main__":
    print(SignIn().renew())
