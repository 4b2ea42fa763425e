"""The error tree of delivery.

DeliveryFault
  DestinationFault    settings of a destination that cannot be used
  Temporary           nothing was decided: the same is sent again later, without a final give-up
  Refused             the other server said no for good: a person has to look
"""


class DeliveryFault(Exception):
    """Anything that keeps data from arriving."""


class DestinationFault(DeliveryFault):
    """Settings of a destination that cannot be used; the text says what to change."""


class Temporary(DeliveryFault):
    """Try again later. The text is for logs and holds no word of the other server and nothing of a patient.

    `whole_server`: nothing else would arrive now either. `after_s`: what Retry-After asked for.
    """

    def __init__(self, told: str, *, whole_server: bool = True, after_s: float | None = None) -> None:
        super().__init__(told)
        self.whole_server = whole_server
        self.after_s = after_s


class Refused(DeliveryFault):
    """Refused for good. The text is for logs: status and issue codes; `words` are the other server's own."""

    def __init__(self, told: str, words: str, status: int) -> None:
        super().__init__(told)
        self.words = words
        self.status = status
