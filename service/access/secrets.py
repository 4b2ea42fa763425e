"""Random secrets that are shown once and kept as their digest."""

import secrets
from hashlib import sha256


def new_secret() -> tuple[str, bytes]:
    """256 random bits as URL-safe text, and the SHA-256 to keep. Being random, it needs no salt and no slow hash."""
    text = secrets.token_urlsafe(32)
    return text, digest_of(text)


def digest_of(text: str) -> bytes:
    """SHA-256 of a text of any characters."""
    return sha256(text.encode("utf-8", "surrogatepass")).digest()
