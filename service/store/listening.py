"""Whether anybody is to be told of a write: asked within each write, as another process may have added one."""

from typing import NamedTuple

from sqlalchemy import bindparam, exists, select

from service.store.delivery_tables import destinations
from service.store.statements import Statement
from service.store.subscription_tables import subscriptions
from service.store.writing import WriteUnit

_d, _s = destinations.c, subscriptions.c
_SITE = bindparam("site", type_=_d.site.type)
_LISTENERS = Statement(
    select(
        exists().where(_s.site == _SITE, _s.deleted_at.is_(None)),
        exists().where(_d.site == _SITE),
    )
)


class Listeners(NamedTuple):
    """Whether the site has subscriptions that were not deleted, and destinations."""

    subscribed: bool
    destinations: bool


def listeners(unit: WriteUnit) -> Listeners:
    """What the site has, as the write's transaction sees it."""
    ((subscribed, sends),) = _LISTENERS.rows(unit.connection, {"site": unit.site})
    return Listeners(bool(subscribed), bool(sends))
