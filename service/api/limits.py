"""How much a client may ask for and how long it may take, read from the environment once, at the edge."""

import os
from collections.abc import Mapping
from dataclasses import dataclass

# Setting, least and largest value. 0 requests a minute: no limit.
BOUNDS = {
    "requests_per_minute": ("CLOSURE_READINGS_REQUESTS_PER_MINUTE", 0, 1_000_000),
    "token_requests_per_minute": ("CLOSURE_READINGS_TOKEN_REQUESTS_PER_MINUTE", 0, 1_000_000),
    "header_s": ("CLOSURE_READINGS_HEADER_SECONDS", 1, 600),
    "body_s": ("CLOSURE_READINGS_BODY_SECONDS", 1, 3600),
    "answer_stalled_s": ("CLOSURE_READINGS_ANSWER_STALLED_SECONDS", 1, 3600),
    "connections": ("CLOSURE_READINGS_CONNECTIONS", 8, 65_536),
    "worker_threads": ("CLOSURE_READINGS_WORKER_THREADS", 1, 256),
    "stop_within_s": ("CLOSURE_READINGS_STOP_WITHIN_SECONDS", 1, 3600),
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What one process grants. Times in seconds."""

    requests_per_minute: int = 6000  # a client, or an address where nobody signed in
    token_requests_per_minute: int = 60  # an address that asks for tokens
    header_s: float = 15  # from the connection, or the answer before, to the end of the request's header
    body_s: float = 60  # from the first look at a body to its end
    answer_stalled_s: float = 60  # in which a client takes in nothing of its answer
    connections: int = 512
    worker_threads: int = 40  # as many as the store has connections for reading
    stop_within_s: int = 30  # for requests under way when the service is stopped
    metrics_readers: frozenset[str] = frozenset()  # addresses beside loopback that may read /metrics


def limits_from(environment: Mapping[str, str] = os.environ) -> Limits:
    """Read `CLOSURE_READINGS_*`; what is absent keeps its default. ValueError names what cannot be used."""
    given = {
        field: _whole(name, text, least, largest)
        for field, (name, least, largest) in BOUNDS.items()
        if (text := environment.get(name))
    }
    readers = environment.get("CLOSURE_READINGS_METRICS_READERS", "").replace(",", " ").split()
    return Limits(**given, metrics_readers=frozenset(readers))


def _whole(name: str, text: str, least: int, largest: int) -> int:
    if not (text.isascii() and text.isdecimal() and least <= int(text) <= largest):
        raise ValueError(f"{name} is a whole number from {least} to {largest}")
    return int(text)
