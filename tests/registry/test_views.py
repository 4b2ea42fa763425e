"""The view runner against the specification SQL on FHIR v2.0 (https://sql-on-fhir.org/ig/).

The cases follow those of the specification's own suite, with people and data of our own, so that they run without a
package registry; the suite itself runs in test_official_views.py.
"""

import json

import duckdb
import pytest

from service.registry.views.definition import FaultyView, compile_view
from service.registry.views.fhirpath import UnsupportedPath, parse
from service.registry.views.translate import quoted

PEOPLE = [
    {
        "resourceType": "Patient", "id": "wren", "active": True, "gender": "female", "birthDate": "1971-02-03",
        "deceasedBoolean": False,
        "name": [
            {"family": "Wren", "use": "official", "given": ["Ada", "Bea"]},
            {"family": "Lark", "given": ["Cleo"]},
        ],
        "telecom": [{"system": "phone", "value": "1"}, {"system": "email", "value": "2"}],
        "contact": [
            {"telecom": [{"system": "phone", "value": "3"}], "name": {"given": ["Dov", "Eli"]}},
            {"telecom": [{"system": "email", "value": "4"}], "name": {"given": ["Fay"]}},
        ],
        "managingOrganization": {"reference": "Organization/quay"},
        "extension": [{"url": "https://heron.example/size", "valueInteger": 7}],
    },
    {
        "resourceType": "Patient", "id": "rook", "active": False, "gender": "male",
        "name": [{"family": "Rook"}, {"family": "Daw", "use": "official"}],
        "managingOrganization": {"reference": "https://heron.example/fhir/Organization/pier"},
    },
    {"resourceType": "Patient", "id": "swift"},
    {"resourceType": "Observation", "id": "o1", "status": "final", "code": {"text": "gap"},
     "valueQuantity": {"value": 1.5, "unit": "cm"}, "effectiveDateTime": "2025-03-02T10:00:00+01:00"},
    {"resourceType": "Observation", "id": "o2", "status": "final", "code": {"text": "gap"},
     "effectiveInstant": "2025-03-02T09:00:01Z", "valueQuantity": {"value": 2.5}},
    {"resourceType": "Observation", "id": "o3", "status": "final", "code": {"text": "gap"}, "valueTime": "18:12:00"},
]  # fmt: skip


def run(view, folder, resources=PEOPLE):
    """Rows of a view over the resources, as dicts."""
    compiled = compile_view(view)
    file = folder / "resources.ndjson"
    kept = [resource for resource in resources if resource["resourceType"] == compiled.resource]
    file.write_text("".join(json.dumps(resource) + "\n" for resource in kept))
    read = {"id": "VARCHAR", **compiled.shape.columns()}
    columns = ", ".join(f"{quoted(name)}: {quoted(sql)}" for name, sql in read.items())
    source = f"read_json({quoted(str(file))}, format = 'newline_delimited', columns = {{{columns}}})"
    with duckdb.connect() as connection:
        found = connection.execute(compiled.sql(source)).fetchall()
    return [dict(zip(compiled.columns, row, strict=True)) for row in found]


def view(*nodes, resource="Patient", **more):
    return {"resource": resource, "select": list(nodes), **more}


def columns(**paths):
    return {"column": [{"name": name, "path": path} for name, path in paths.items()]}


def one(path, resource="Patient", **more):
    """A view of the id and one column."""
    column = {"name": "v", "path": path, **more.pop("column", {})}
    return view({"column": [{"name": "id", "path": "id"}, column]}, resource=resource, **more)


CASES = [
    ("basic: basic attribute", view(columns(id="id")), [("wren",), ("rook",), ("swift",)]),
    ("basic: boolean attribute with false", one("active"), [("wren", True), ("rook", False), ("swift", None)]),
    (
        "basic: two columns",
        view(columns(id="id", sex="gender")),
        [("wren", "female"), ("rook", "male"), ("swift", None)],
    ),
    (
        "basic: two selects with columns",
        view(columns(id="id"), columns(sex="gender")),
        [("wren", "female"), ("rook", "male"), ("swift", None)],
    ),
    ("basic: where - 1", view(columns(id="id"), where=[{"path": "active.exists() and active = true"}]), [("wren",)]),
    ("basic: where - 2", view(columns(id="id"), where=[{"path": "active.exists() and active = false"}]), [("rook",)]),
    (
        "basic: select & column",
        view({**columns(id="id"), "select": [columns(sex="gender")]}),
        [("wren", "female"), ("rook", "male"), ("swift", None)],
    ),
    ("view_resource: only obs", view(columns(id="id"), resource="Observation"), [("o1",), ("o2",), ("o3",)]),
    (
        "collection: collection = true",
        one("name.family", column={"collection": True}),
        [("wren", ["Wren", "Lark"]), ("rook", ["Rook", "Daw"]), ("swift", [])],
    ),
    (
        "collection: collection = false relative to forEach parent",
        view(
            columns(id="id"),
            {
                "forEach": "name",
                "column": [
                    {"name": "last", "path": "family", "collection": False},
                    {"name": "first", "path": "given", "collection": True},
                ],
            },
        ),
        [("wren", "Wren", ["Ada", "Bea"]), ("wren", "Lark", ["Cleo"]), ("rook", "Rook", []), ("rook", "Daw", [])],
    ),
    (
        "foreach: forEach: normal",
        view(columns(id="id"), {"forEach": "name", **columns(f="family")}),
        [("wren", "Wren"), ("wren", "Lark"), ("rook", "Rook"), ("rook", "Daw")],
    ),
    (
        "foreach: forEachOrNull: basic",
        view(columns(id="id"), {"forEachOrNull": "name", **columns(f="family")}),
        [("wren", "Wren"), ("wren", "Lark"), ("rook", "Rook"), ("rook", "Daw"), ("swift", None)],
    ),
    ("foreach: forEach: empty", view(columns(id="id"), {"forEach": "identifier", **columns(v="value")}), []),
    (
        "foreach: forEachOrNull: null case",
        view(columns(id="id"), {"forEachOrNull": "identifier", **columns(v="value")}),
        [("wren", None), ("rook", None), ("swift", None)],
    ),
    (
        "foreach: two on the same level",
        view({"forEach": "contact", **columns(c="telecom.value")}, {"forEach": "name", **columns(f="family")}),
        [("3", "Wren"), ("3", "Lark"), ("4", "Wren"), ("4", "Lark")],
    ),
    (
        "foreach: nested forEach",
        view(
            columns(id="id"),
            {
                "forEach": "contact",
                "select": [columns(kind="telecom.system"), {"forEach": "name.given", **columns(n="$this")}],
            },
        ),
        [("wren", "phone", "Dov"), ("wren", "phone", "Eli"), ("wren", "email", "Fay")],
    ),
    (
        "foreach: nested forEach: select & column",
        view(
            columns(id="id"),
            {
                "forEach": "contact",
                **columns(kind="telecom.system"),
                "select": [{"forEach": "name.given", **columns(n="$this")}],
            },
        ),
        [("wren", "phone", "Dov"), ("wren", "phone", "Eli"), ("wren", "email", "Fay")],
    ),
    (
        "foreach: forEachOrNull & unionAll on the same level",
        view(
            columns(id="id"),
            {
                "forEachOrNull": "contact",
                "unionAll": [columns(n="name.given.first()"), {"forEach": "telecom", **columns(n="value")}],
            },
        ),
        [("wren", "Dov"), ("wren", "3"), ("wren", "Fay"), ("wren", "4"), ("rook", None), ("swift", None)],
    ),
    (
        "fhirpath: two elements + first",
        one("name.family.first()"),
        [("wren", "Wren"), ("rook", "Rook"), ("swift", None)],
    ),
    ("fhirpath: index[0]", one("name[0].family"), [("wren", "Wren"), ("rook", "Rook"), ("swift", None)]),
    ("fhirpath: index[1]", one("name[1].family"), [("wren", "Lark"), ("rook", "Daw"), ("swift", None)]),
    ("fhirpath: out of index", one("name[2].family"), [("wren", None), ("rook", None), ("swift", None)]),
    ("fhirpath: where", one("name.where(use='official').family"), [("wren", "Wren"), ("rook", "Daw"), ("swift", None)]),
    ("fhirpath: exists", one("name.exists()"), [("wren", True), ("rook", True), ("swift", False)]),
    ("fhirpath: nested exists", one("name.given.exists()"), [("wren", True), ("rook", False), ("swift", False)]),
    (
        "fn_exists: exists with criteria",
        one("name.exists(use = 'official' and family = 'Daw')"),
        [("wren", False), ("rook", True), ("swift", False)],
    ),
    ("fn_empty: empty names", one("name.empty()"), [("wren", False), ("rook", False), ("swift", True)]),
    (
        "fn_first: table level first()",
        one("name.first().given.first()"),
        [("wren", "Ada"), ("rook", None), ("swift", None)],
    ),
    (
        "fn_join: join with comma",
        one("name.given.join(',')"),
        [("wren", "Ada,Bea,Cleo"), ("rook", None), ("swift", None)],
    ),
    (
        "fn_join: join with no value: default to no separator",
        one("name.given.join()"),
        [("wren", "AdaBeaCleo"), ("rook", None), ("swift", None)],
    ),
    (
        "fn_extension: simple extension",
        one("extension('https://heron.example/size').value.ofType(integer).first()"),
        [("wren", 7), ("rook", None), ("swift", None)],
    ),
    (
        "fn_oftype: select decimal values",
        one("value.ofType(Quantity).value", "Observation"),
        [("o1", 1.5), ("o2", 2.5), ("o3", None)],
    ),
    (
        "fn_oftype: select time values",
        one("value.ofType(time)", "Observation"),
        [("o1", None), ("o2", None), ("o3", "18:12:00")],
    ),
    (
        "fn_reference_keys: getReferenceKey",
        one("managingOrganization.getReferenceKey()"),
        [("wren", "quay"), ("rook", "pier"), ("swift", None)],
    ),
    (
        "fn_reference_keys: getReferenceKey with right type",
        one("managingOrganization.getReferenceKey(Organization)"),
        [("wren", "quay"), ("rook", "pier"), ("swift", None)],
    ),
    (
        "fn_reference_keys: getReferenceKey with wrong type",
        one("managingOrganization.getReferenceKey(Patient)"),
        [("wren", None), ("rook", None), ("swift", None)],
    ),
    (
        "fn_reference_keys: getResourceKey",
        one("getResourceKey() = id"),
        [("wren", True), ("rook", True), ("swift", True)],
    ),
    (
        "logic: filtering with 'and'",
        view(columns(id="id"), where=[{"path": "gender = 'female' and deceased.ofType(boolean) = false"}]),
        [("wren",)],
    ),
    (
        "logic: filtering with 'or'",
        view(columns(id="id"), where=[{"path": "gender = 'male' or deceased.ofType(boolean) = false"}]),
        [("wren",), ("rook",)],
    ),
    ("logic: filtering with 'not'", view(columns(id="id"), where=[{"path": "(gender = 'female').not()"}]), [("rook",)]),
    (
        "where: where path with greater than inequality",
        view(columns(id="id"), resource="Observation", where=[{"path": "value.ofType(Quantity).value > 2.0"}]),
        [("o2",)],
    ),
    (
        "where: where path with less than inequality",
        view(columns(id="id"), resource="Observation", where=[{"path": "value.ofType(Quantity).value < 2.0"}]),
        [("o1",)],
    ),
    (
        "where: multiple where paths",
        view(columns(id="id"), where=[{"path": "name.exists()"}, {"path": "gender = 'male'"}]),
        [("rook",)],
    ),
    (
        "constant: constant in path",
        one("name.where(use = %kind).family", constant=[{"name": "kind", "valueString": "official"}]),
        [("wren", "Wren"), ("rook", "Daw"), ("swift", None)],
    ),
    (
        "constant: constant in forEach",
        view(
            {"forEach": "name.where(use = %kind)", **columns(f="family")},
            constant=[{"name": "kind", "valueString": "official"}],
        ),
        [("Wren",), ("Daw",)],
    ),
    (
        "constant: constant in where element",
        view(columns(id="id"), constant=[{"name": "sex", "valueCode": "male"}], where=[{"path": "gender = %sex"}]),
        [("rook",)],
    ),
    (
        "constant: constant in unionAll",
        view(
            {"unionAll": [{"forEach": "name.where(use = %kind)", **columns(f="family")}]},
            constant=[{"name": "kind", "valueString": "official"}],
        ),
        [("Wren",), ("Daw",)],
    ),
    (
        "constant: integer constant",
        one("name[%place].family", constant=[{"name": "place", "valueInteger": 1}]),
        [("wren", "Lark"), ("rook", "Daw"), ("swift", None)],
    ),
    (
        "row_index: %rowIndex with nested forEach, each with its own",
        view(
            columns(id="id", top="%rowIndex"),
            {
                "forEachOrNull": "contact",
                **columns(outer="%rowIndex"),
                "select": [{"forEachOrNull": "name.given", **columns(inner="%rowIndex", n="$this")}],
            },
            where=[{"path": "id != 'rook'"}],
        ),
        [("wren", 0, 0, 0, "Dov"), ("wren", 0, 0, 1, "Eli"), ("wren", 0, 1, 0, "Fay"), ("swift", 0, 0, 0, None)],
    ),
    (
        "row_index: %rowIndex in a unionAll without forEach is that of the node around it",
        view(columns(id="id"), {"forEach": "name", "unionAll": [columns(at="%rowIndex")]}),
        [("wren", 0), ("wren", 1), ("rook", 0), ("rook", 1)],
    ),
    (
        "constant_types: date",
        one("birthDate = %born", constant=[{"name": "born", "valueDate": "1971-02-03"}]),
        [("wren", True), ("rook", None), ("swift", None)],
    ),
    (
        "constant_types: decimal",
        one("value.ofType(Quantity).value < %limit", "Observation", constant=[{"name": "limit", "valueDecimal": 1.75}]),
        [("o1", True), ("o2", False), ("o3", None)],
    ),
    (
        "constant_types: boolean",
        one("active = %yes", constant=[{"name": "yes", "valueBoolean": True}]),
        [("wren", True), ("rook", False), ("swift", None)],
    ),
    (
        "constant_types: time",
        one("value.ofType(time) = %t", "Observation", constant=[{"name": "t", "valueTime": "18:12:00"}]),
        [("o1", None), ("o2", None), ("o3", True)],
    ),
    (
        "fhirpath_numbers: add observation",
        one("value.ofType(Quantity).value + 1", "Observation"),
        [("o1", 2.5), ("o2", 3.5), ("o3", None)],
    ),
    (
        "fhirpath_numbers: div",
        one("value.ofType(Quantity).value / 2", "Observation"),
        [("o1", 0.75), ("o2", 1.25), ("o3", None)],
    ),
    ("fhirpath_numbers: precedence", view(columns(v="1 + 2 * 3 - 4"), where=[{"path": "id = 'wren'"}]), [(3.0,)]),
    (
        "union: basic",
        view(
            columns(id="id"),
            {
                "unionAll": [
                    {"forEach": "telecom", **columns(t="value")},
                    {"forEach": "contact.telecom", **columns(t="value")},
                ]
            },
        ),
        [("wren", "1"), ("wren", "2"), ("wren", "3"), ("wren", "4")],
    ),
    (
        "union: duplicates",
        view(
            {
                **columns(id="id"),
                "unionAll": [
                    {"forEach": "telecom", **columns(t="value")},
                    {"forEach": "telecom", **columns(t="value")},
                ],
            }
        ),
        [("wren", "1"), ("wren", "1"), ("wren", "2"), ("wren", "2")],
    ),
    (
        "union: empty results",
        view(
            {
                **columns(id="id"),
                "unionAll": [
                    {"forEach": "identifier", **columns(v="value")},
                    {"forEach": "identifier", **columns(v="value")},
                ],
            }
        ),
        [],
    ),
    (
        "union: empty with forEachOrNull",
        view(
            {
                **columns(id="id"),
                "unionAll": [
                    {"forEachOrNull": "identifier", **columns(v="value")},
                    {"forEach": "identifier", **columns(v="value")},
                ],
            }
        ),
        [("wren", None), ("rook", None), ("swift", None)],
    ),
    (
        "union: nested",
        view(
            {
                **columns(id="id"),
                "unionAll": [
                    {"forEach": "telecom[0]", **columns(t="value")},
                    {
                        "unionAll": [
                            {"forEach": "telecom[0]", **columns(t="value")},
                            {"forEach": "contact.telecom[0]", **columns(t="value")},
                        ]
                    },
                ],
            }
        ),
        [("wren", "1"), ("wren", "1"), ("wren", "3")],
    ),
    (
        "union: one empty operand",
        view(
            columns(id="id"),
            {
                "unionAll": [
                    {"forEach": "telecom.where(false)", **columns(t="value")},
                    {"forEach": "contact.telecom", **columns(t="value")},
                ]
            },
        ),
        [("wren", "3"), ("wren", "4")],
    ),
    (
        "combinations: sibling select and unionAll",
        view(
            columns(id="id"),
            {"unionAll": [columns(f="name.family.first()"), columns(f="gender")]},
            where=[{"path": "id = 'rook'"}],
        ),
        [("rook", "Rook"), ("rook", "male")],
    ),
]


@pytest.mark.parametrize(("definition", "expected"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_a_view_gives_the_rows_that_the_specification_asks_for(definition, expected, tmp_path):
    found = [tuple(row.values()) for row in run(definition, tmp_path)]
    assert sorted(found, key=repr) == sorted(expected, key=repr)


REFUSED = [
    ("validate: empty", {}, "resource"),
    ("view_resource: resource not specified", {"select": [columns(id="id")]}, "resource"),
    ("validate: wrong fhirpath", view({"forEach": "@@"}), "not understood"),
    ("validate: wrong type in forEach", view({"forEach": 1}), "not empty"),
    (
        "validate: where with path resolving to not boolean",
        view(columns(id="id"), where=[{"path": "name.family"}]),
        "true or false",
    ),
    ("union: column mismatch", view({"unionAll": [columns(a="id", b="id"), columns(a="id", c="id")]}), "mismatch"),
    (
        "union: column order mismatch",
        view({"unionAll": [columns(a="id", b="id"), columns(b="id", a="id")]}),
        "mismatch",
    ),
    ("constant: incorrect constant definition", view(columns(id="id"), constant=[{"name": "a"}]), "one value"),
    (
        "constant: accessing an undefined constant",
        view(columns(id="id"), where=[{"path": "gender = %missing"}]),
        "missing",
    ),
    ("an index that is no number", one("name[%a]", constant=[{"name": "a", "valueString": "1"}]), "whole number"),
    ("an index below nothing", one("name[%a]", constant=[{"name": "a", "valueInteger": -1}]), "whole number"),
    ("a name that R4 does not have", view(columns(id="nickname")), "no element 'nickname'"),
    ("a function beyond the subset", view(columns(id="name.count()")), "not of the subset"),
    ("repeat is not supported", view({"repeat": ["contact"], **columns(id="id")}), "not supported"),
    ("a choice without a type", view(columns(v="deceased")), "ofType"),
    ("a type that the choice never has", view(columns(v="deceased.ofType(Quantity)")), "never of type"),
    ("two columns of one name", view(columns(id="id"), columns(id="id")), "more than one column"),
    ("a name that is no name", view(columns(**{"a-b": "id"})), "no name of a column"),
    ("a number beside a text", view(columns(v="id = 1")), "not comparable"),
    ("no node at all", view({}), "is needed"),
    ("both ways of unnesting", view({"forEach": "name", "forEachOrNull": "name", **columns(a="family")}), "together"),
    (
        "an SQL type that is none",
        view({"column": [{"name": "a", "path": "id", "tag": [{"name": "ansi/type", "value": "x); --"}]}]}),
        "no SQL type",
    ),
]


@pytest.mark.parametrize(("definition", "why"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_a_faulty_view_is_refused_before_it_runs(definition, why):
    with pytest.raises(FaultyView, match=why):
        compile_view(definition)


def test_several_elements_in_a_single_column_are_an_error_of_the_run(tmp_path):
    """collection: fail when 'collection' is not true."""
    with pytest.raises(duckdb.Error, match="several elements"):
        run(view(columns(f="name.family")), tmp_path)


def test_instants_are_compared_as_instants_whatever_their_offset(tmp_path):
    """10:00 at +01:00 is 09:00Z, one second before 09:00:01Z."""
    found = run(one("effective.ofType(dateTime) < @2025-03-02T09:00:00.500Z", "Observation"), tmp_path)
    assert found[0]["v"] is True


def test_a_quote_in_a_text_stays_text(tmp_path):
    person = {"resourceType": "Patient", "id": "x", "name": [{"family": "O'Hara"}]}
    found = run(one("name.exists(family = 'O\\'Hara')"), tmp_path, [person])
    assert found == [{"id": "x", "v": True}]


@pytest.mark.parametrize(
    "text", ["", "a.", "a..b", "(a", "a)", "a[b]", "a[1", "where(", "1 +", "a and", "%", "$that", "a b"]
)
def test_a_broken_path_is_refused_with_its_place(text):
    with pytest.raises(UnsupportedPath):
        parse(text)


def test_the_sql_type_of_a_tag_is_used_and_what_does_not_fit_is_null(tmp_path):
    """A date reduced to its year, as de-identified data has it, is no instant."""
    tag = [{"name": "ansi/type", "value": "TIMESTAMP WITH TIME ZONE"}]
    definition = view({"column": [{"name": "at", "path": "birthDate", "tag": tag}]})
    people = [{"resourceType": "Patient", "id": born, "birthDate": born} for born in ("1971", "1971-02-03")]
    first, second = (row["at"] for row in run(definition, tmp_path, people))
    assert first is None
    assert second is not None
