"""Sets of tokens under a number: resources of one concept have the same codings, so each set is kept once.

A set never changes and its number is never used again, so that what a process has read of them stays true.
"""

import threading
from collections.abc import Iterable, Mapping

import orjson
from sqlalchemy import Connection, bindparam, select

from service.search.criteria import TokenCriterion, TokenTextCriterion, TokenValue
from service.search.elements import PRESENT, TEXT, Token, unit_of
from service.search.quantities import Unit
from service.store.statements import Statement, insertion
from service.store.tables import token_sets

Tokens = tuple[Token, ...]

_AFTER = Statement(
    select(token_sets.c.number, token_sets.c.tokens)
    .where(token_sets.c.site == bindparam("site"), token_sets.c.number > bindparam("known"))
    .order_by(token_sets.c.number)
)
_ADD = Statement(insertion(token_sets))


class TokenSets:
    """The sets of one site that this process knows; read anew from the last known number whenever asked."""

    def __init__(self, site: str) -> None:
        self._site = site
        self._lock = threading.Lock()
        self._last = 0
        self._numbers: dict[Tokens, int] = {(): 0}
        self._with_code: dict[tuple[str, str], list[tuple[int, str]]] = {}  # parameter, code -> number, system
        self._with_system: dict[tuple[str, str], list[int]] = {}  # parameter, system -> number
        self._with_text: dict[str, list[tuple[int, str]]] = {}  # parameter -> number, display or text, folded
        self._with_parameter: dict[str, set[int]] = {}  # parameter -> numbers of the sets that have a value of it
        self._units: dict[int, Unit] = {0: Unit("", "", "")}

    def refresh(self, connection: Connection) -> None:
        """Learn the sets that were committed since the last time."""
        rows = _AFTER.rows(connection, {"site": self._site, "known": self._last})
        if rows:
            self.learn((number, tuple((p, s, c) for p, s, c in orjson.loads(tokens))) for number, tokens in rows)

    def may_lack(self, last: int) -> bool:
        """Whether a set up to this number may be unknown here; the site's clock has the last one."""
        return last > self._last or not self._last

    def learn(self, sets: Iterable[tuple[int, Tokens]]) -> None:
        """Remember committed sets; one that is known already is passed over."""
        with self._lock:
            for number, tokens in sets:
                if number <= self._last:
                    continue
                self._last = number
                self._numbers[tokens] = number
                self._learn_tokens(number, tokens)

    def _learn_tokens(self, number: int, tokens: Tokens) -> None:
        if (unit := unit_of(tokens)) is not None:
            self._units[number] = unit
            return
        for parameter, system, code in tokens:
            self._with_parameter.setdefault(_plain(parameter), set()).add(number)
            if parameter.endswith(TEXT):
                self._with_text.setdefault(_plain(parameter), []).append((number, code))
                continue
            self._with_code.setdefault((parameter, code), []).append((number, system))
            self._with_system.setdefault((parameter, system), []).append(number)

    def number(self, tokens: Tokens) -> int | None:
        """Number of a known set."""
        return self._numbers.get(tokens)

    @property
    def last(self) -> int:
        """Highest number known."""
        return self._last

    def matching(self, criterion: TokenCriterion) -> list[int]:
        """Numbers of the sets that hold one of the tokens looked for, in rising order."""
        return self.holding(criterion.name, criterion.values)

    def holding(self, parameter: str, values: Iterable[TokenValue]) -> list[int]:
        """Numbers of the sets that hold one of these tokens of a parameter, in rising order."""
        found: set[int] = set()
        for value in values:
            if value.code is None:
                found.update(self._with_system.get((parameter, value.system or ""), ()))
                continue
            for number, system in self._with_code.get((parameter, value.code), ()):
                if value.system in (None, system):
                    found.add(number)
        return sorted(found)

    def worded(self, criterion: TokenTextCriterion) -> list[int]:
        """Numbers of the sets with a text that begins as looked for, in rising order."""
        texts = self._with_text.get(criterion.name, ())
        return sorted({number for number, text in texts if text.startswith(criterion.beginnings)})

    def having(self, parameter: str) -> list[int]:
        """Numbers of the sets with any value of a parameter, in rising order."""
        return sorted(self._with_parameter.get(parameter, ()))

    def units(self) -> Mapping[int, Unit]:
        """Every unit that a quantity has, by the number of its set; 0 is a quantity without one."""
        return dict(self._units)


def _plain(parameter: str) -> str:
    """The parameter that a token speaks of."""
    return parameter.removesuffix(TEXT).removesuffix(PRESENT)


class NewTokenSets:
    """Numbers for the sets of one write, new ones included; the new ones become known when the write is committed."""

    def __init__(self, known: TokenSets, last_number: int) -> None:
        self._known = known
        self._new: dict[Tokens, int] = {}
        self.last_number = self._saved = last_number

    def number(self, tokens: Tokens) -> int:
        """Number of a set, a fresh one when it has none."""
        number = self._known.number(tokens)
        if number is None:
            number = self._new.get(tokens)
        if number is None:
            self.last_number += 1
            number = self._new[tokens] = self.last_number
        return number

    def save(self, connection: Connection, site: str) -> None:
        """Insert the new sets that are not inserted yet."""
        pending = [(tokens, number) for tokens, number in self._new.items() if number > self._saved]
        _ADD.run_each(connection, (_row(site, number, tokens) for tokens, number in pending))
        self._saved = self.last_number

    def committed(self) -> None:
        """Tell the process-wide memory of the new sets."""
        self._known.learn((number, tokens) for tokens, number in self._new.items())


def _row(site: str, number: int, tokens: Tokens) -> Mapping[str, object]:
    return {"site": site, "number": number, "tokens": orjson.dumps(tokens).decode()}
