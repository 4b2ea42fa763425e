"""What the OpenAPI document shows as an example can be sent as it stands."""

import pytest

CALLS = [("/intake/preview", 200), ("/intake/courses", 201), ("/intake/plan", 200)]


@pytest.mark.parametrize(("path", "status"), CALLS)
def test_an_example_of_the_description_is_accepted_as_it_stands(client, path, status):
    document = client.get("/openapi.json").json()
    examples = document["paths"][path]["post"]["requestBody"]["content"]["application/json"]["examples"]
    for example in examples.values():
        answer = client.post(path, json=example["value"])
        assert answer.status_code == status, answer.text
