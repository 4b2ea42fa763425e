"""What the routes of subscriptions share: whose they are, who may be told, how one is answered."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access.faults import Forbidden
from service.access.gate import Access
from service.api.bundles import etag
from service.api.outcomes import MEDIA_TYPE
from service.fhir import wire
from service.store import Store
from service.store.access import AccessDatabase
from service.store.subscription_rows import SubscriptionRow, find_subscription, subscriptions_of
from service.store.wire import http_date
from service.subscriptions.agreement import Terms
from service.subscriptions.notification import Notices, subscription_resource


@dataclass(frozen=True, slots=True)
class Side:
    """One site's subscriptions."""

    database: AccessDatabase
    store: Store
    site: str
    terms: Terms
    clock: Callable[[], datetime]
    new_id: Callable[[], str]

    def require_readable(self, access: Access, topic_key: str) -> None:
        """Whoever is told of resources must be allowed to read them."""
        topic = self.terms.vocabulary.topic(topic_key)
        if topic is None:
            raise HTTPException(404, "the topic of this subscription is no longer offered")
        try:
            access.require(topic.type, "read")
        except Forbidden as fault:
            raise HTTPException(403, str(fault)) from fault

    def mine(self, access: Access, id_: str) -> SubscriptionRow:
        """The client's own subscription; 404 where it has none of that id, 410 after it was deleted."""
        with self.database.read() as connection:
            row = find_subscription(connection, self.site, id_)
        if row is None or row.client_id != access.client_id:
            raise HTTPException(404, "the client has no such subscription")
        if row.deleted_at is not None:
            raise HTTPException(410, "the subscription was deleted")
        return row

    def all_of(self, access: Access) -> list[SubscriptionRow]:
        """What the client has and did not delete."""
        with self.database.read() as connection:
            return subscriptions_of(connection, self.site, access.client_id)

    def notices(self) -> Notices:
        """How notifications are built here."""
        return Notices(self.terms.vocabulary, self.terms.fhir_base)

    def answer(self, row: SubscriptionRow, status: int) -> Response:
        """The subscription as an answer, with its version."""
        headers = {"ETag": etag(row.version), "Last-Modified": http_date(row.last_updated)}
        if status == 201:
            headers["Location"] = f"{self.terms.fhir_base}/Subscription/{row.id}/_history/{row.version}"
        body = wire.write(subscription_resource(row, self.terms.vocabulary))
        return Response(body, status, headers, MEDIA_TYPE)


def access_of(request: Request) -> Access:
    """Who asks, as the door found out."""
    access: Access = request.state.access
    return access


def fhir_answer(resource: dict[str, Any], status: int = 200) -> Response:
    """A resource that nobody should keep a copy of."""
    return Response(wire.write(resource), status, {"Cache-Control": "no-store"}, MEDIA_TYPE)
