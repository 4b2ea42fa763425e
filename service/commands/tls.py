"""TLS by the service itself: certificate and key from files, 1.2 and 1.3 only."""

import os
import ssl
import stat
from collections.abc import Mapping
from pathlib import Path

PASSWORD_FILE = "CLOSURE_READINGS_TLS_KEY_PASSWORD_FILE"


class TlsRefused(ValueError):
    """Certificate or key cannot be used; says why."""


def tls_context(
    certificate: Path | None, key: Path | None, environment: Mapping[str, str] = os.environ
) -> ssl.SSLContext | None:
    """What the server speaks TLS with; None when neither file is given. Raises TlsRefused.

    Key agreement and ciphers are those of the Python that runs it: forward secrecy throughout. TLS 1.0 and 1.1 are
    deprecated by RFC 8996. Read once at the start: a renewed certificate needs a restart.
    """
    if certificate is None and key is None:
        return None
    if certificate is None or key is None:
        raise TlsRefused("TLS needs both files: --tls-certificate and --tls-key")
    require_private(key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_RENEGOTIATION
    _load(context, certificate, key, _password(environment))
    return context


def require_private(file: Path) -> None:
    """Raise TlsRefused where others than the owner may read or write a secret's file."""
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
    except OSError as fault:
        raise TlsRefused(f"{file}: {fault.strerror or 'cannot be read'}") from None
    if mode & 0o077:
        raise TlsRefused(f"{file}: others than its owner have rights on it (mode {mode:o}); run chmod 600 {file}")


def _password(environment: Mapping[str, str]) -> str:
    name = environment.get(PASSWORD_FILE)
    if not name:
        return ""
    require_private(Path(name))
    try:
        return Path(name).read_text("utf-8").rstrip("\r\n")
    except (OSError, UnicodeDecodeError):
        raise TlsRefused(f"{name}: cannot be read as text") from None


def _load(context: ssl.SSLContext, certificate: Path, key: Path, password: str) -> None:
    try:
        # A function, also for no password: without one OpenSSL would ask at the terminal and wait.
        context.load_cert_chain(certificate, key, lambda: password)
    except FileNotFoundError:
        raise TlsRefused(f"{certificate}: no such file") from None
    except ssl.SSLError as fault:
        reason = (fault.reason or "no PEM file").replace("_", " ").lower()
        raise TlsRefused(
            f"{certificate} and {key} cannot be used ({reason}): PEM files are needed, the certificate's own key, and "
            f"its password in the file that {PASSWORD_FILE} names where it has one"
        ) from None
    except OSError as fault:
        raise TlsRefused(f"{certificate}: {fault.strerror or 'cannot be read'}") from None
