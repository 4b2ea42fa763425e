"""What a way of sending does for a `Sender`: say what is to go next, and send it. It writes nothing down itself."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from service.store import Reading
from service.store.delivered_rows import Delivered
from service.store.outbox_rows import OutboxRow


@dataclass(slots=True)
class Turn:
    """What goes next: of one course, the outbox rows that it speaks of."""

    course_id: str
    patient: str
    rows: list[OutboxRow]

    @property
    def numbers(self) -> list[int]:
        """Numbers of the outbox rows."""
        return [row.number for row in self.rows]

    @property
    def told(self) -> list[str]:
        """References to every version that is in it; none where nothing is left to be sent."""
        raise NotImplementedError


class Answered(NamedTuple):
    """What became of a turn that was taken: what is there now, whether nothing of it is left, the status."""

    rows: Sequence[Delivered]
    complete: bool
    status: int  # as HTTP counts


class Way(Protocol):
    """One way of sending, made for one destination."""

    def gather(self, reading: Reading, patient: str) -> Turn | None:
        """What goes next about a patient, out of one state of the database; None where nothing may be sent."""
        ...

    def send(self, turn: Any, request_id: str) -> Answered:
        """Send it and wait for the answer; Temporary, Refused or DestinationFault where it was not taken."""
        ...

    def close(self) -> None:
        """Close what is open to the destination."""
        ...
