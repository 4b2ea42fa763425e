"""Row 22 under a race: eight writers of one conditional create, in threads and in processes, on a real server.

One 201, seven 200, one row (requirements, part B, 1). The site's lock is held from the search to the commit, so that it
holds for any condition, for the two processes of two servers on one database as well.
"""

import json
import multiprocessing
import threading
from collections import Counter
from queue import SimpleQueue

import pytest
import requests

from service.fhir import wire
from tests.api.fhir_writing import FHIR, LAB, MRN, patient, practitioner, pressure
from tests.live import live_service

WRITERS = 8
ROUNDS = 5


def conditional_create(base, number, gate, told):
    """Send the same create as everybody else, as soon as all are ready."""
    with requests.Session() as session:
        session.get(f"{base}/health", timeout=30)  # the connection stands before the race begins
        gate.wait(60)
        answer = session.post(
            f"{base}/fhir/Practitioner",
            data=wire.write(practitioner(f"s-{number}")),
            headers={"Content-Type": FHIR, "If-None-Exist": f"identifier=s-{number}"},
            timeout=60,
        )
        told.put((answer.status_code, answer.headers["Location"].removeprefix(base)))


def in_threads(bases, number):
    gate, told = threading.Barrier(len(bases)), SimpleQueue()
    writers = [threading.Thread(target=conditional_create, args=(base, number, gate, told)) for base in bases]
    for writer in writers:
        writer.start()
    answers = [told.get(timeout=60) for _ in writers]
    for writer in writers:
        writer.join()
    return answers


def in_processes(bases, number):
    context = multiprocessing.get_context("spawn")
    gate, told = context.Barrier(len(bases)), context.Queue()
    writers = [context.Process(target=conditional_create, args=(base, number, gate, told)) for base in bases]
    for writer in writers:
        writer.start()
    answers = [told.get(timeout=120) for _ in writers]
    for writer in writers:
        writer.join()
    told.close()
    told.join_thread()
    return answers


def check_race(base, number, answers):
    assert Counter(status for status, _ in answers) == {201: 1, 200: WRITERS - 1}
    assert len({location for _, location in answers}) == 1
    found = requests.get(f"{base}/fhir/Practitioner?identifier=s-{number}", timeout=30).json()
    assert found["total"] == 1
    assert answers[0][1].endswith(f"/{found['entry'][0]['resource']['id']}/_history/1")


@pytest.fixture
def servers(database_url, tmp_path):
    """Two servers on one database."""
    shared = {"DATABASE_URL": database_url}
    with live_service(tmp_path, **shared) as one, live_service(tmp_path, **shared) as two:
        yield [one.base, two.base]


@pytest.mark.slow
def test_row_22_eight_threads_create_one_resource(servers):
    for number in range(ROUNDS):
        check_race(servers[0], number, in_threads([servers[0]] * WRITERS, number))


@pytest.mark.slow
def test_row_22_eight_threads_on_two_servers_create_one_resource(servers):
    for number in range(ROUNDS):
        check_race(servers[1], number, in_threads(servers * (WRITERS // 2), number))


@pytest.mark.slow
def test_row_22_eight_processes_create_one_resource(servers):
    check_race(servers[0], 1, in_processes(servers * (WRITERS // 2), 1))


@pytest.mark.slow
def test_eight_transactions_with_conditions_at_once_store_once(servers):
    rows = [
        ("urn:uuid:5a6b3a0e-3f5a-4d8e-9a51-0c8f3c1b7e01", patient(), f"identifier={MRN}|AB-1"),
        ("", pressure("urn:uuid:5a6b3a0e-3f5a-4d8e-9a51-0c8f3c1b7e01"), f"identifier={LAB}|bp-1"),
    ]
    entries = [
        ({"fullUrl": name} if name else {})
        | {"resource": row, "request": {"method": "POST", "url": row["resourceType"], "ifNoneExist": condition}}
        for name, row, condition in rows
    ]
    body = wire.write({"resourceType": "Bundle", "type": "transaction", "entry": entries})
    gate, told = threading.Barrier(WRITERS), []

    def write(base):
        gate.wait(60)
        answer = requests.post(f"{base}/fhir", data=body, headers={"Content-Type": FHIR}, timeout=60)
        told.append([entry["response"]["status"] for entry in json.loads(answer.content)["entry"]])

    writers = [threading.Thread(target=write, args=(base,)) for base in servers * (WRITERS // 2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert Counter(map(tuple, told)) == {("201 Created", "201 Created"): 1, ("200 OK", "200 OK"): WRITERS - 1}
    for type_ in ("Patient", "Observation"):
        assert requests.get(f"{servers[0]}/fhir/{type_}?_total=accurate", timeout=30).json()["total"] == 1


@pytest.mark.slow
def test_row_16_of_eight_updates_of_one_version_one_is_taken(servers):
    place = f"{servers[0]}/fhir/Practitioner/x"
    headers = {"Content-Type": FHIR}
    assert requests.put(place, data=wire.write(practitioner(id="x")), headers=headers, timeout=30).status_code == 201
    gate, told = threading.Barrier(WRITERS), []

    def write(number):
        sent = practitioner(id="x", name=[{"family": f"Lark {number}"}])
        gate.wait(60)
        stale = headers | {"If-Match": 'W/"1"'}
        told.append(requests.put(place, data=wire.write(sent), headers=stale, timeout=60).status_code)

    writers = [threading.Thread(target=write, args=(number,)) for number in range(WRITERS)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert Counter(told) == {200: 1, 412: WRITERS - 1}
