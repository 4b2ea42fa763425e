"""Many routes, of which a request tries only those that its path can be of.

The framework tries the routes of a router in turn, and those of routers within routers anew at each level. Here they
stand in one list, and the first segments of the path and their number tell which of them come into question. Which one
of these answers, and what is answered where none does, stays the framework's decision.
"""

from collections.abc import Sequence

from fastapi import APIRouter
from starlette.routing import BaseRoute, Mount
from starlette.types import Receive, Scope, Send

_DEPTH = 3
_ANY = ""  # a segment of the path that no route names, and one of a route that takes whatever there is
_MORE = _DEPTH + 1  # stands for every number of segments beyond
Key = tuple[int, tuple[str, ...]]  # number of segments, and the first of them


def joined(*routers: APIRouter) -> APIRouter:
    """One router with the routes of several, in their order."""
    one = APIRouter()
    one.routes.extend(route for router in routers for route in router.routes)
    return one


class Branches(APIRouter):
    """A router that looks its routes up by the beginning of the path; they are all known when it is made."""

    def __init__(self, *routers: APIRouter, last: Sequence[BaseRoute] = ()) -> None:
        """Routes are tried in the order given, `last` after all others."""
        super().__init__()
        self.routes.extend([*joined(*routers).routes, *last])
        begins = [_key(_segments(getattr(route, "path", ""))) for route in self.routes]
        self._routes = list(zip(self.routes, begins, strict=True))
        self._named = [{first[n] for _, first in begins if len(first) > n} for n in range(_DEPTH)]
        self._branches: dict[Key, APIRouter] = {}  # as many as there are beginnings of routes, at most

    async def app(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        segments = _segments(scope["path"])
        first = zip(segments, self._named, strict=False)
        key = len(segments), tuple([segment if segment in named else _ANY for segment, named in first])
        branch = self._branches.get(key)
        if branch is None:
            branch = self._branches[key] = self._branch(key)
        await branch.app(scope, receive, send)

    def _branch(self, key: Key) -> APIRouter:
        branch = APIRouter()
        branch.routes.extend(route for route, begin in self._routes if _is_open(route) or _may_be_of(begin, key))
        return branch


def _segments(path: str) -> list[str]:
    """The first segments; a slash at the end makes no other path, since the framework may lead to the one without."""
    return path.rstrip("/").split("/", _MORE + 1)[1 : _MORE + 1]


def _key(template: Sequence[str]) -> Key:
    return len(template), tuple(_ANY if "{" in segment else segment for segment in template[:_DEPTH])


def _is_open(route: BaseRoute) -> bool:
    """Whether a route takes paths of any number of segments."""
    return isinstance(route, Mount) or ":path}" in getattr(route, "path", "")


def _may_be_of(begin: Key, key: Key) -> bool:
    """Whether a path of the key can be of a route of this beginning."""
    same = all(wanted in (_ANY, segment) for wanted, segment in zip(begin[1], key[1], strict=False))
    return same and begin[0] == key[0]
