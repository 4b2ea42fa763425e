"""A reset that becomes overdue is shown as overdue at whichever site it is."""

from datetime import timedelta

from starlette.testclient import TestClient

from service import strict_json
from service.api.app import create_app, mark_overdue
from service.config import Settings
from service.workflow import Workflow
from tests.intake.documents import NOW, course_file, installation
from tests.signing_in import LOOPBACK, new_client, token_of

JSON = {"Content-Type": "application/json"}
FRESH = strict_json.write(course_file(installation(at="2026-03-09T11:30:00+01:00")))


def test_overdue_resets_of_every_site_are_marked_once(tmp_path):
    settings = Settings(database_url=f"sqlite:///{tmp_path}/sites.sqlite3", site="north")
    ids = {site: new_client(settings, NOW, site=site) for site in ("north", "south", "west")}
    app = create_app(settings, lambda: NOW)
    with TestClient(app, base_url=LOOPBACK) as http:
        for site in ("north", "south"):  # west has no course
            token = {"Authorization": f"Bearer {token_of(settings, ids[site], NOW)}"}
            assert http.post("/intake/courses", content=FRESH, headers=token | JSON).status_code == 201
            assert http.get("/fhir/Flag?status=active", headers=token).json()["total"] == 0
        assert mark_overdue(app.state.sites, NOW + timedelta(days=3)) == 2
        assert mark_overdue(app.state.sites, NOW + timedelta(days=3)) == 0
        for site, flags in (("north", 1), ("south", 1), ("west", 0)):
            token = {"Authorization": f"Bearer {token_of(settings, ids[site], NOW)}"}
            assert http.get("/fhir/Flag?status=active", headers=token).json()["total"] == flags


def test_what_fails_at_one_site_stops_no_other(tmp_path, monkeypatch):
    settings = Settings(database_url=f"sqlite:///{tmp_path}/sites.sqlite3", site="north")
    ids = {site: new_client(settings, NOW, site=site) for site in ("north", "south")}
    app = create_app(settings, lambda: NOW)
    with TestClient(app, base_url=LOOPBACK) as http:
        for site in ids:
            token = {"Authorization": f"Bearer {token_of(settings, ids[site], NOW)}"}
            assert http.post("/intake/courses", content=FRESH, headers=token | JSON).status_code == 201
        marking = Workflow.mark_overdue

        def broken(workflow, now):
            if workflow.site.key == "north":
                raise RuntimeError("a broken site")
            return marking(workflow, now)

        monkeypatch.setattr(Workflow, "mark_overdue", broken)
        assert mark_overdue(app.state.sites, NOW + timedelta(days=3)) == 1
