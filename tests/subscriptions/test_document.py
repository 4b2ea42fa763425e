"""docs/subscriptions.md: its example is agreed on, and its tables are those of the code."""

import json
import re
from pathlib import Path

from service.subscriptions.agreement import CONTENTS, Terms, agreed
from service.subscriptions.endpoints import CA_FILE, HOSTS, Endpoints
from service.subscriptions.topics import read_vocabulary
from service.terminology import load
from tests.subscriptions.conftest import BASE, HOST, START

TEXT = (Path(__file__).parents[2] / "docs" / "subscriptions.md").read_text("utf-8")
VOCABULARY = read_vocabulary(load())


def test_the_example_is_agreed_on():
    example = json.loads(re.findall(r"(?ms)^```json\n(.*?)^```$", TEXT)[0])
    found = agreed(example, Terms(VOCABULARY, Endpoints(frozenset({HOST})), BASE), START)
    assert (found.topic.key, found.heartbeat_s, found.content) == ("alert", 3600, "id-only")


def test_every_topic_stands_in_the_document_with_its_filters():
    for topic in VOCABULARY.topics.values():
        assert re.search(rf"(?m)^\| `{topic.key}` \| {topic.type}.* \| {', '.join(topic.filters)} \|$", TEXT), topic.key


def test_settings_and_contents_stand_in_the_document():
    for word in (HOSTS, CA_FILE, *CONTENTS):
        assert word in TEXT
