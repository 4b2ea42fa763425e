"""Rows 27, 33 to 36, 41 to 49 on the database: each search against an evaluation of every resource one by one."""

import random
import threading
from datetime import UTC, datetime, timedelta

import pytest

from service.search.criteria import (
    Cursor,
    DateCriterion,
    IdCriterion,
    IdentifierCriterion,
    ReferenceCriterion,
    Setting,
    TokenCriterion,
)
from service.search.dates import DateRange, date_range
from service.search.query import Query, parse
from service.store import Page, Store
from tests.store.samples import NOON, SITE, SYSTEM, draft, later, observation, save

BASE = "https://closure.ward-seven.example/fhir"
SETTING = Setting(BASE, UTC, datetime(2024, 6, 1, tzinfo=UTC))


def ask(type_: str, text: str) -> Query:
    pairs = [tuple(part.split("=", 1)) for part in text.split("&") if part]
    return parse(type_, pairs, SETTING)


def search(store: Store, type_: str, text: str, cursor: Cursor | None = None) -> Page:
    query = ask(type_, text)
    if cursor:
        link = query.next_link(BASE, cursor)
        query = ask(type_, text + "&_cursor=" + link.rpartition("_cursor=")[2])
    with store.read(SITE) as reading:
        return reading.search(query)


def ids(page: Page) -> list[str]:
    return [row.id for row in page.rows]


def found(store: Store, text: str, type_: str = "Observation") -> set[str]:
    return set(ids(search(store, type_, text)))


def test_rows_46_to_48_in_all_forms(store):
    save(
        store,
        observation(1, code="gap"),
        observation(2, code="stretch", hasMember=[{"reference": "Observation/p-1-o-1"}]),
        observation(3, patient="p-2", code="gap", status="amended"),
        observation(4, code="GAP", subject={"reference": "https://other.example/fhir/Patient/1"}),
        observation(5, code="x", identifier=[{"system": "urn:mrn", "value": "12"}, {"value": "123"}]),
    )
    one, two, three, four, five = "p-1-o-1", "p-1-o-2", "p-2-o-3", "p-1-o-4", "p-1-o-5"
    expected = {
        "code=gap": {one, three},
        "code=urn:own|gap": {one, three},
        "code=urn:all|gap": set(),
        "code=|gap": set(),
        "code=urn:own|": {one, two, three, four, five},
        "code=any": {one, two, three, four, five},
        "code=gap,stretch": {one, two, three},
        "code=gap&code=any": {one, three},
        "code=gap&code=stretch": set(),
        "code=nowhere": set(),
        "status=final": {one, two, four, five},
        "status=http://hl7.org/fhir/observation-status|amended": {three},
        "status=urn:other|amended": set(),
        "category=exam&status=amended": {three},
        "patient=p-1": {one, two, five},
        "patient=Patient/p-2": {three},
        f"subject={BASE}/Patient/p-1": {one, two, five},
        "patient=p-1,p-2": {one, two, three, five},
        "patient=https://other.example/fhir/Patient/1": {four},
        "patient=p-2,https://other.example/fhir/Patient/1": {three, four},
        "has-member=Observation/p-1-o-1": {two},
        "has-member:Observation=p-1-o-1": {two},
        "has-member=Observation/p-1-o-1&patient=p-2": set(),
        "has-member=Observation/p-1-o": set(),
        "has-member=Observation/P-1-O-1": set(),
        "identifier=urn:mrn|12": {five},
        "identifier=12": {five},
        "identifier=|123": {five},
        "identifier=|12": set(),
        "identifier=urn:mrn|1": set(),
        "identifier=urn:mrn|": {five},
        "_id=p-1-o-1,p-2-o-3": {one, three},
        "_id=P-1-o-1": set(),
    }
    for text, resources in expected.items():
        assert found(store, text) == resources, text


def test_a_reference_is_found_whether_or_not_its_target_is_stored_or_has_a_patient(store):
    def provenance(id_: str, target: str) -> dict:
        return {"resourceType": "Provenance", "id": id_, "meta": {}, "target": [{"reference": target}]}

    save(store, observation(1))
    with store.write(SITE, later(1)) as unit:
        unit.save_resources(
            [
                draft(provenance("v-1", "Observation/p-1-o-1"), patient="p-1"),
                draft(provenance("v-2", "Observation/p-1-o-1")),
                draft(provenance("v-3", "Device/unknown")),
            ]
        )
    assert found(store, "target=Observation/p-1-o-1", "Provenance") == {"v-1", "v-2"}
    assert found(store, "target=Device/unknown", "Provenance") == {"v-3"}
    assert found(store, "patient=p-1", "Provenance") == {"v-1"}


def test_row_49_names_without_case_and_accents_from_their_beginning(store):
    person = {"resourceType": "Patient", "id": "p-1", "meta": {}, "name": [{"family": "Ødegård", "given": ["Åse"]}]}
    save(store, person)
    assert found(store, "family=ødeg", "Patient") == {"p-1"}
    assert found(store, "given=ASE", "Patient") == {"p-1"}
    assert found(store, "name=as", "Patient") == {"p-1"}
    assert found(store, "family=gård", "Patient") == set()


def test_an_amended_resource_is_found_by_its_present_values_alone(store):
    save(store, observation(1, code="gap", at="2024-05-01"))
    save(store, observation(1, code="stretch", at="2024-05-02"), now=later(1))
    assert found(store, "code=gap") == set()
    assert found(store, "code=stretch&date=2024-05-02") == {"p-1-o-1"}


def test_sites_are_searched_apart(store):
    save(store, observation(1), site="elsewhere")
    assert found(store, "code=gap") == set()


def random_resources(seed: random.Random, count: int) -> list[dict]:
    def moment() -> str:
        day = datetime(2024, 5, 1, tzinfo=UTC) + timedelta(minutes=seed.randrange(60 * 24 * 20))
        return seed.choice([day.strftime(form) for form in ("%Y", "%Y-%m", "%Y-%m-%d", "%Y-%m-%dT%H:%M:%SZ")])

    made = []
    for number in range(count):
        ends = sorted([moment(), moment()], key=lambda text: date_range(text, UTC))
        period = {key: end for key, end in zip(("start", "end"), ends, strict=True) if seed.random() < 0.7}
        effective = seed.choice([{"effectiveDateTime": moment()}, {"effectivePeriod": period}, {}])
        resource = observation(number, patient=f"p-{seed.randrange(4)}", code=seed.choice("abcd"))
        del resource["effectiveDateTime"]
        resource |= {"id": f"o-{number}", "status": seed.choice(["final", "amended"]), **effective}
        if seed.random() < 0.3:
            resource["derivedFrom"] = [{"reference": f"Observation/o-{_of_same_patient(seed, made, resource)}"}]
        made.append(resource)
    return made


def _of_same_patient(seed: random.Random, made: list[dict], resource: dict) -> int:
    """Number of an earlier resource of the same patient, or of one that is not stored."""
    same = [number for number, each in enumerate(made) if each["subject"] == resource["subject"]]
    return seed.choice([*same, 69_000])


def random_query(seed: random.Random) -> str:
    def moment() -> str:
        return seed.choice(["2024", "2024-05", "2024-05-07", "2024-05-07T12:00Z", "2024-05-07T12:00:00Z", "2024-06"])

    def value(name: str) -> str:
        match name:
            case "date":
                return seed.choice(["", "eq", "ne", "gt", "lt", "ge", "le", "sa", "eb", "ap"]) + moment()
            case "_lastUpdated":
                return seed.choice(["", "ne", "gt", "lt", "ge", "le", "sa", "eb"]) + seed.choice(
                    ["2024-05-01", "2024-05-01T12:05Z", "2024-05-01T12:05:00.000Z"]
                )
            case "patient":
                return f"p-{seed.randrange(5)}"
            case "derived-from" | "_id":
                start = "Observation/" if name == "derived-from" else ""
                return f"{start}o-{seed.choice([seed.randrange(70), 69_000])}"
            case "status":
                return seed.choice(["final", "amended", "|final", "urn:x|final"])
            case "identifier":
                return seed.choice([f"p-{seed.randrange(4)}/{seed.randrange(70)}", f"{SYSTEM}|"])
            case _:
                return seed.choice(["a", "b", "urn:own|c", "urn:all|", "|d", "any"])

    names = ["date", "date", "code", "patient", "status", "derived-from", "_lastUpdated", "_id", "identifier"]
    chosen = [seed.choice(names) for _ in range(seed.randrange(1, 4))]
    return "&".join(f"{name}={','.join(value(name) for _ in range(seed.choice([1, 1, 2])))}" for name in chosen)


def matches(query: Query, values, row) -> bool:
    """Whether one resource answers the query, from its index values and its stored row."""

    def holds(criterion) -> bool:
        match criterion:
            case IdCriterion(wanted):
                return row.id in wanted
            case TokenCriterion(name, _, wanted):
                tokens = [token for token in values.code_set + values.token_set if token[0] == name]
                return any(value.holds(system, code) for value in wanted for _, system, code in tokens)
            case IdentifierCriterion(wanted):
                return any(value.holds(*each) for value in wanted for each in values.identifiers)
            case DateCriterion(slot, bounds):
                updated = DateRange(row.last_updated, row.last_updated + 1000)
                target = {"date": values.date, "other_date": values.other_date, "last_updated": updated}[slot]
                return any(bound.holds(target) for bound in bounds)
            case ReferenceCriterion(name, patients, others):
                lines = values.terms.split("\n")
                return values.patient in patients or any(f"{name}={other}" in lines for other in others)
        raise TypeError(criterion)

    return all(holds(criterion) for criterion in query.criteria)


@pytest.mark.parametrize("seed_number", range(4))
def test_every_search_finds_what_looking_at_each_resource_finds(store, seed_number):
    seed = random.Random(seed_number)
    resources = random_resources(seed, 70)
    for minute, resource in enumerate(resources):
        save(store, resource, now=NOON + timedelta(seconds=10 * minute))
    values = {resource["id"]: draft(resource).values for resource in resources}
    with store.read(SITE) as reading:
        rows = {id_: reading.resource("Observation", id_) for id_ in values}
        some = 0
        for _ in range(250):
            text = random_query(seed)
            query = ask("Observation", text + "&_count=1000")
            expected = {id_ for id_, row in rows.items() if matches(query, values[id_], row)}
            page = reading.search(query)
            assert set(ids(page)) == expected, text
            assert page.total == len(expected), text
            some += bool(expected)
    assert some > 50  # the queries are not all empty


@pytest.mark.parametrize("sort", ["date", "-date", "_lastUpdated", "-_lastUpdated", "_id", "-_id", "value-date", ""])
def test_row_36_pages_follow_the_order_asked_for(store, sort):
    seed = random.Random(7)
    resources = random_resources(seed, 60)
    for minute, resource in enumerate(resources):
        save(store, resource, now=later(minute // 7))
    text = f"code=a,b,c,d{'&_sort=' + sort if sort else ''}&_count=7"
    page, seen = search(store, "Observation", text), []
    sizes = [len(page.rows)]
    seen += ids(page)
    while page.next:
        page = search(store, "Observation", text, page.next)
        sizes.append(len(page.rows))
        seen += ids(page)
    assert sizes == [7] * 8 + [4]
    assert len(seen) == len(set(seen)) == 60
    order = {each["id"]: number for number, each in enumerate(resources)}
    values = {each["id"]: draft(each).values for each in resources}
    keys = {
        "date": lambda id_: (values[id_].date.low, order[id_]),
        "_lastUpdated": lambda id_: order[id_],
        "_id": lambda id_: id_,
        "value-date": lambda id_: (values[id_].other_date.low, order[id_]),
    }
    key = keys[sort.removeprefix("-") or "date"]
    assert seen == sorted(seen, key=key, reverse=sort.startswith("-") or not sort)


@pytest.mark.parametrize("text", ["", "patient=p-1", "code=gap&_sort=date", "_sort=-_lastUpdated", "_sort=_id"])
def test_row_34_pages_under_writes_hold_every_row_once(store, text):
    before = [observation(number, at=f"2024-05-{1 + number % 28:02d}") for number in range(60)]
    save(store, *before)
    stop = threading.Event()

    def keep_writing() -> None:
        number = 1000
        while not stop.is_set():
            save(store, observation(number, at=f"2024-05-{1 + number % 28:02d}"), now=later(number))
            number += 1

    writer = threading.Thread(target=keep_writing)
    writer.start()
    try:
        asked = f"{text}&_count=3"
        page = search(store, "Observation", asked)
        seen = ids(page)
        while page.next and len(seen) < 3000:
            page = search(store, "Observation", asked, page.next)
            seen += ids(page)
            if {each["id"] for each in before} <= set(seen):
                stop.set()
    finally:
        stop.set()
        writer.join()
    assert len(seen) == len(set(seen))
    assert {each["id"] for each in before} <= set(seen)


def test_row_35_totals(store):
    save(store, *(observation(number, patient=f"p-{number % 2}") for number in range(1200)))
    assert search(store, "Observation", "patient=p-1&_count=5").total == 600
    assert search(store, "Observation", "_count=5").total is None
    assert search(store, "Observation", "_count=5&_total=accurate").total == 1200
    assert search(store, "Observation", "patient=p-1&_count=5&_total=none").total is None
    assert search(store, "Observation", "identifier=p-1/1&_count=5").total == 1


def test_row_33_counting_alone_gives_no_rows(store):
    save(store, *(observation(number) for number in range(30)))
    for text in ("_count=0", "_summary=count", "patient=p-1&_summary=count"):
        page = search(store, "Observation", text)
        assert (list(page.rows), page.next, page.total) == ([], None, 30)


def test_a_set_of_tokens_that_another_store_wrote_is_found(store, database_url):
    from service.store import open_store

    save(store, observation(1, code="first"))
    assert found(store, "code=first") == {"p-1-o-1"}
    other = open_store(database_url)
    save(other, observation(2, code="second"), now=later(1))
    other.close()
    assert found(store, "code=second") == {"p-1-o-2"}
