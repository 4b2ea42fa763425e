"""The re-identification scan: no identifying string of the source occurs in what comes out.

Source and result are cut into words; the words that identify are planted or taken from the elements that hold them.
That the scan sees something is shown by the source, in which it finds every one of them.
"""

import random
import re
from datetime import datetime, timedelta

import pytest

from service.deidentify import MODES
from service.fhir import wire
from tests.deidentify.releases import bundles, names, opened, owners, released

PATIENTS = 5000
A_WORD = re.compile(r"[\w.-]+")
A_PERSON = re.compile(r'{"resourceType":"(Patient|Encounter|Procedure)"')
A_DATE = re.compile(r'"([0-9]{4}-[0-9]{2}-[0-9]{2})')
A_MOMENT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}(?:T[0-9:.]+(?:Z|[+-][0-9:]{5}))?")


def words(text):
    return set(A_WORD.findall(text))


def written(resource):
    return wire.write(resource).decode()


def identifying(resource):
    """The words of a resource of the examples that identify: names, numbers, ids, notes, displays of people."""
    for holder, key, value in strings(resource):
        by_key = key in ("family", "given", "id") or (key == "value" and "system" in holder)
        if by_key or (key == "display" and "identifier" in holder) or (key == "text" and "time" in holder):
            yield value
        if key == "birthDate":
            yield value


def is_telling(word, value):
    """Whether a word of such a value tells of somebody; parts of a sentence and of the words of a role do not."""
    in_a_sentence = " " in value and not re.fullmatch(r"(Dr\. )?[A-Z]\. \w+", value)
    is_a_role = "/" in value and not re.search("[a-z].*[0-9]", word)
    return len(word) > 2 and not in_a_sentence and not is_a_role and not value.startswith("closure-readings")


def strings(value, holder=None, key=""):
    if isinstance(value, dict):
        for name, member in value.items():
            yield from strings(member, value, name)
    elif isinstance(value, list):
        for member in value:
            yield from strings(member, holder, key)
    elif isinstance(value, str):
        yield holder, key, value


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize(("name", "resources"), bundles(), ids=[name for name, _ in bundles()])
def test_no_identifying_word_of_an_example_occurs_in_what_comes_out(mode, name, resources):
    values = {value for each in resources for value in identifying(each)}
    needles = {word for value in values for word in words(value) if is_telling(word, value)}
    out = {word for _, made in released(mode, resources) for word in words(written(made))}
    source = {word for each in resources for word in words(written(each))}
    assert len(needles & source) > 100
    leaked = needles & out
    assert not leaked
    notes = {value for value in values if len(value) > 20 and " " in value}
    assert not [each for each in notes if each in "\n".join(written(made) for _, made in released(mode, resources))]


# 5,000 simulated patients: the resources of one example with everything that identifies made up anew


class Simulated:
    """Resources of invented patients, made by putting other words into the text of an example's resources."""

    def __init__(self) -> None:
        self._draw = random.Random(20261125)
        self._known: dict[int, list[str]] = {}
        _, resources = next(each for each in bundles() if each[0].startswith("05"))
        self.texts = [written(each) for each in _few(resources)]
        joined = "\n".join(self.texts)
        self._ids = sorted(set(re.findall(r"[0-9a-f]{8}-[0-9a-f]{4}-5[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}", joined)))
        self._start = datetime.fromisoformat(min(A_MOMENT.findall(_without_birth(joined)))[:10])
        found = {value for each in _few(resources) for value in identifying(each)}
        self._planted = sorted((v for v in found if v not in self._ids), key=len)[::-1]

    def patient(self, number: int, texts: list[str]) -> tuple[list[str], set[str]]:
        """Resources of a patient as text, and the words in them that identify."""
        needles = set()
        moved = timedelta(days=self._draw.randrange(-3600, 3600))
        new = {}
        for old in self._replaced(texts):
            word = self._word(number, old)
            new[old] = word
            needles |= words(word)
        either = re.compile("|".join(re.escape(old) for old in sorted(new, key=len, reverse=True)))
        made = []
        for text in texts:
            other = either.sub(lambda found: new[found[0]], text)
            made.append(A_MOMENT.sub(lambda found: self._moved(found[0], moved), other))
        return made, needles

    def _replaced(self, texts: list[str]) -> list[str]:
        """What of the example stands in these texts and is replaced."""
        if len(texts) not in self._known:
            joined = "\n".join(texts)
            self._known[len(texts)] = [old for old in [*self._ids, *self._planted] if old in joined]
        return self._known[len(texts)]

    def _word(self, number: int, old: str) -> str:
        """Something that stands nowhere else: an id in an id's form, a date of birth, or a word of its own."""
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", old):
            return (
                f"{self._draw.randrange(1925, 2010)}-{self._draw.randrange(1, 13):02}-{self._draw.randrange(1, 29):02}"
            )
        tail = "".join(self._draw.choices("ghjkmnpqrstvwxyz", k=9))
        return f"{number}-{tail}" if " " not in old else f"Zq{tail} Vy{tail[::-1]}"

    @staticmethod
    def _moved(text: str, by: timedelta) -> str:
        if int(text[:4]) < 2015 and len(text) == 10:
            return text  # a date of birth
        day = datetime.fromisoformat(text[:10]) + by
        return day.date().isoformat() + text[10:]


def _without_birth(text):
    return re.sub(r'"birthDate":"[^"]*"', "", text)


def _few(resources):
    """A resource of each type, those with notes and people first."""
    wanted = {}
    for each in resources:
        rank = (each["resourceType"], "note" in each)
        wanted.setdefault(rank, each)
    return list(wanted.values())


@pytest.mark.parametrize("mode", MODES)
def test_no_identifying_word_of_5000_simulated_patients_occurs_in_what_comes_out(mode):
    simulated, made_by = Simulated(), opened(mode).deidentifier(names())
    people = [text for text in simulated.texts if A_PERSON.match(text)]
    needles, seen, out = set(), set(), set()
    for number in range(PATIENTS):
        # every fiftieth with a resource of each type, the others with what holds most names, numbers and notes
        texts, planted = simulated.patient(number, people if number % 50 else simulated.texts)
        resources = [wire.read(text.encode()) for text in texts]
        whose = owners(resources)
        mine = next(each["id"] for each in resources if each["resourceType"] == "Patient")
        pairs = [
            (each, made_by.resource(each, whose[f"{each['resourceType']}/{each['id']}"] or mine)) for each in resources
        ]
        after = "".join(written(made) for _, made in pairs if made)
        before = "".join(texts)
        dates = set(A_DATE.findall(before))
        assert dates
        assert not dates & set(A_DATE.findall(after)), number
        needles |= planted & words(before)
        seen |= words(before)
        out |= words(after)
    assert len(needles) > 10 * PATIENTS
    assert needles <= seen
    leaked = needles & out
    assert not leaked
