"""The body of a token request, read strictly (RFC 6749 3.2, 4.4, appendix B; RFC 7521 4.2)."""

from urllib.parse import parse_qsl

from service.access.faults import TokenRefused

LARGEST_FORM = 32 * 1024
MOST_PARAMETERS = 50
GRANT_TYPE = "client_credentials"
ASSERTION_TYPE = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"


def read_form(body: bytes) -> dict[str, str]:
    """Parameters by name; those without a value count as left out, as RFC 6749 3.2 says.

    Raises TokenRefused (`invalid_request`) for too much, for what is not UTF-8 and for a parameter given twice.
    """
    if len(body) > LARGEST_FORM:
        raise TokenRefused("invalid_request", f"the form is larger than {LARGEST_FORM} bytes", status=413)
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, errors="strict", max_num_fields=MOST_PARAMETERS)
    except ValueError as fault:  # not ASCII, not UTF-8 below the percent signs, or too many
        raise TokenRefused("invalid_request", "the form cannot be read") from fault
    form = dict(pairs)
    if len(form) < len(pairs):
        raise TokenRefused("invalid_request", "a parameter is given more than once")
    return {name: value for name, value in form.items() if value}


def check_grant(form: dict[str, str]) -> None:
    """Raise TokenRefused unless client credentials are asked for and an assertion is the one way of signing in."""
    grant_type = form.get("grant_type")
    if grant_type is None:
        raise TokenRefused("invalid_request", "grant_type is missing")
    if grant_type != GRANT_TYPE:
        raise TokenRefused("unsupported_grant_type", f"only {GRANT_TYPE} is supported")
    if "client_secret" in form:
        raise TokenRefused("invalid_request", "client_secret is not supported: sign in by client_assertion alone")
    if form.get("client_assertion_type") != ASSERTION_TYPE:
        raise TokenRefused("invalid_client", f"client_assertion_type must be {ASSERTION_TYPE}")
    if "client_assertion" not in form:
        raise TokenRefused("invalid_client", "client_assertion is missing")
    if "scope" not in form:
        raise TokenRefused("invalid_scope", "scope is missing")
