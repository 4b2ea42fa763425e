"""The error tree of access. Texts are safe to send: they name what is wrong, never whether a client exists.

AccessFault
  ScopeFault            a scope that cannot be understood or is not offered
  KeySetFault           a key set that is refused, or cannot be had at the moment
  RegistrationFault     a client that cannot be registered or changed as asked
  StartRefused          the service would be open where it must not be
  TokenRefused          the token endpoint's answer, with the error code of RFC 6749 5.2
  Unauthorised          no valid token (401)
  Forbidden             a valid token that does not cover the request (403)
"""


class AccessFault(Exception):
    """Anything that access control refuses."""


class ScopeFault(AccessFault):
    """A scope that cannot be understood or is not offered."""


class KeySetFault(AccessFault):
    """A set of public keys that is refused, or cannot be had at the moment."""


class RegistrationFault(AccessFault):
    """A client that cannot be registered or changed as asked."""


class StartRefused(AccessFault):
    """The service would be open where it must not be."""


class TokenRefused(AccessFault):
    """The token endpoint refuses. `error`: code of RFC 6749 5.2; `reason`: more exact words for the audit record."""

    def __init__(self, error: str, description: str, *, status: int = 400, reason: str = "") -> None:
        super().__init__(description)
        self.error = error
        self.description = description
        self.status = status
        self.reason = reason or description


class Unauthorised(AccessFault):
    """No valid token was shown; `error` is a code of RFC 6750 3.1, empty where no token was shown at all."""

    def __init__(self, description: str, error: str = "") -> None:
        super().__init__(description)
        self.error = error


class Forbidden(AccessFault):
    """The token is valid and does not cover the request; `scope` is one that would, if a scope is what is missing."""

    def __init__(self, description: str, scope: str = "") -> None:
        super().__init__(description)
        self.scope = scope
