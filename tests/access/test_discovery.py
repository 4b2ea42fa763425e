"""Discovery (requirement rows 59 and 69; SMART App Launch 2.2.0, Conformance; FHIR R4 CapabilityStatement)."""

import shutil
from urllib.parse import urlsplit

import pytest

from service.access.discovery import read_access_codes, security_of_capability_statement, smart_configuration
from service.fhir.validate import check
from service.search.parameters import parameters
from service.terminology import TerminologyFault
from service.terminology.tables import folder_of_tables
from tests.access.sender import TOKEN_URL

CODES = read_access_codes()
TYPES = tuple(parameters())


def test_row_69_the_configuration_has_what_smart_requires_of_a_server_for_backend_services():
    found = smart_configuration(CODES, TOKEN_URL, TYPES)
    assert urlsplit(found["token_endpoint"]).scheme
    assert "client_credentials" in found["grant_types_supported"]
    assert "private_key_jwt" in found["token_endpoint_auth_methods_supported"]
    assert set(found["token_endpoint_auth_signing_alg_values_supported"]) == {"RS384", "ES384"}
    assert {"client-confidential-asymmetric", "permission-v2", "permission-v1"} == set(found["capabilities"])
    assert found["code_challenge_methods_supported"] == ["S256"]
    assert {"system/*.rs", "system/Observation.rs", "intake:write"} <= set(found["scopes_supported"])
    assert "issuer" not in found, "only together with OpenID Connect"


def test_row_59_the_statement_names_the_service_and_the_token_endpoint_for_older_clients():
    found = security_of_capability_statement(CODES, TOKEN_URL)
    (coding,) = found["service"][0]["coding"]
    assert coding["code"] == "SMART-on-FHIR"  # listed in R4 at CapabilityStatement.rest.security.service
    (extension,) = found["extension"]
    assert extension["extension"] == [{"url": "token", "valueUri": TOKEN_URL}]


def test_a_statement_with_this_security_passes_the_r4_checks():
    statement = {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-25",
        "kind": "instance",
        "software": {"name": "closure-readings"},
        "implementation": {"description": "test"},
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [{"mode": "server", "security": security_of_capability_statement(CODES, TOKEN_URL)}],
    }
    assert [issue for issue in check(statement) if issue.severity == "error"] == []


def test_a_broken_table_is_refused_with_every_fault(tmp_path):
    shutil.copy(folder_of_tables() / "access.csv", tmp_path)
    with (tmp_path / "access.csv").open("a") as table:
        table.write("other-use,http://x,y,z\nsecurity-service,,y,z\nshort,row\n")
    with pytest.raises(TerminologyFault) as refused:
        read_access_codes(tmp_path)
    assert [fault.row for fault in refused.value.faults] == [7, 8, 9]
    with pytest.raises(TerminologyFault):
        read_access_codes(tmp_path / "nowhere")
