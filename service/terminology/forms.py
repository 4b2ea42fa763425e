"""The forms of mappings/questionnaire.csv: which question of a Questionnaire is which name of the intake contract.

The table is no part of the version of the mapping tables: it words questions and decides no figure and no code of a
resource that the readings give.
"""

from collections.abc import Iterator, Mapping, Sequence

from msgspec import Struct

from service.terminology.tables import Fault, Row

FORM = "form"  # the row that speaks of the whole form
TYPES = frozenset({"group", "string", "text", "integer", "decimal", "boolean", "dateTime", "choice"})


class Question(Struct, frozen=True):
    """One item of a form. `member` is the name of the intake contract, empty for what says which course it is about."""

    link_id: str
    type: str
    required: bool
    repeats: bool
    text: str
    member: str
    concept: str
    options: tuple[tuple[str, str], ...]  # value of the intake contract, concept
    items: "tuple[Question, ...]"


class Form(Struct, frozen=True):
    """One questionnaire: the kind of entry that its answers become."""

    key: str
    title: str
    kind: str
    concept: str
    items: tuple[Question, ...]


def forms_of(rows: Sequence[Row]) -> dict[str, Form]:
    """The forms by key, questions in the order of the table."""
    heads = [row for row in rows if row["type"] == FORM]
    return {
        head["questionnaire"]: Form(
            head["questionnaire"], head["text"], head["member"], head["concept"],
            _beneath([row for row in rows if row["questionnaire"] == head["questionnaire"] and row is not head], ""),
        )
        for head in heads
    }  # fmt: skip


def _beneath(rows: Sequence[Row], parent: str) -> tuple[Question, ...]:
    return tuple(_question(row, rows) for row in rows if row["link_id"].rpartition(".")[0] == parent)


def _question(row: Row, rows: Sequence[Row]) -> Question:
    options = [each.partition("=") for each in row["options"].split()]
    return Question(
        row["link_id"], row["type"], row["required"] == "yes", row["repeats"] == "yes", row["text"], row["member"],
        row["concept"], tuple((value, concept) for value, _, concept in options), _beneath(rows, row["link_id"]),
    )  # fmt: skip


def form_faults(rows: Sequence[Row], concepts: Mapping[str, object]) -> Iterator[Fault]:
    """What the table must hold among itself, row by row."""
    heads = {row["questionnaire"] for row in rows if row["type"] == FORM}
    groups = {(row["questionnaire"], row["link_id"]) for row in rows if row["type"] == "group"}
    for row in rows:
        if row["type"] not in TYPES | {FORM}:
            yield row.fault(f"the type {row['type']!r} is not known")
        if row["questionnaire"] not in heads:
            yield row.fault(f"no row says what the form {row['questionnaire']!r} is")
        parent = row["link_id"].rpartition(".")[0]
        if parent and (row["questionnaire"], parent) not in groups:
            yield row.fault(f"{parent!r} is no group of this form")
        if row["type"] != FORM and {row["required"], row["repeats"]} - {"yes", "no"}:
            yield row.fault("required and repeats must be yes or no")
        named = [row["concept"], *(each.partition("=")[2] for each in row["options"].split())]
        for concept in filter(None, named):
            if concept not in concepts:
                yield row.fault(f"no concept {concept!r}")
        if (row["type"] == "choice") != bool(row["options"]):
            yield row.fault("a choice has options, and nothing else has")
