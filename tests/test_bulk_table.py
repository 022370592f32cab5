"""Tables of records: columns are paths of the published schema, a fault names row, column and mend."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhircare.bulk import Columns, Item, PlanJob, lines_of, rows_of
from fhircare.bulk.columns import _steps
from fhircare.delivery import delivery_of, read_fields
from fhircare.errors import DeliveryError, InputError
from tests.builders import record_data
from tests.strategies import record_dicts

RECORDS = Path(__file__).parent.parent / "examples" / "records"
SCHEMA = Path(__file__).parent.parent / "docs" / "delivery-record.schema.json"


def flat(data, path=""):
    """Return plain data as cells by column, the way a spreadsheet would hold it."""
    if isinstance(data, dict):
        pairs = [(f"{path}.{name}" if path else name, value) for name, value in data.items()]
    elif isinstance(data, list) and any(isinstance(value, dict) for value in data):
        pairs = [(f"{path}[{index}]", value) for index, value in enumerate(data)]
    elif isinstance(data, list):
        return {path: ";".join(map(str, data))}
    else:
        return {path: "" if data is None else str(data)}
    return {name: cell for inner, value in pairs for name, cell in flat(value, inner).items()}


def table(*rows, separator=","):
    """Return rows of cells as a CSV file's bytes; columns are all that any row has."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, names, restval="", delimiter=separator)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue().encode()


def items(content):
    return list(rows_of("clinic.csv", io.BytesIO(content)))


def record_of(item, common=None):
    data, _ = Columns().fields(json.loads(item.data), common or {})
    return delivery_of(data)


def test_every_field_of_the_published_schema_is_a_column():
    """Each leaf that the published schema describes can be written in a table, and nothing else."""
    schema = json.loads(SCHEMA.read_text(encoding="utf-8"))

    for column in Columns():
        here = schema
        for step in _steps(column.name):
            options = here.get("anyOf", [here])
            here = next((o for o in options if "$ref" in o), options[0])
            while "$ref" in here:
                here = schema["$defs"][here["$ref"].rsplit("/", 1)[1]]
            here = here["items"] if isinstance(step, int) else here["properties"][step]
    names = [column.name for column in Columns()]
    assert len(names) == len(set(names)) > 100
    assert {"limb.side", "prosthesis.components[0].name", "risks"} <= set(names)


@pytest.mark.parametrize("path", sorted(RECORDS.glob("*.yaml")), ids=lambda p: p.stem)
def test_an_example_record_says_the_same_as_a_row(path):
    """Every example record, written as one row, is the same record."""
    data, _ = read_fields(path.read_text(encoding="utf-8"))

    (item,) = items(table(flat(data)))

    assert record_of(item) == delivery_of(data)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(record_dicts(), st.sampled_from(",;\t"))
def test_any_record_says_the_same_as_a_row(data, separator):
    """Quotes, separators, letters and lists of any record survive the table."""
    cells = {name: cell for name, cell in flat(data).items() if cell.strip()}
    if any(";" in cell for cell in cells.values()):
        return

    (item,) = items(table(cells, separator=separator))

    expected = delivery_of(data).model_dump()
    found = record_of(item).model_dump()
    assert _stripped(found) == _stripped(expected)


def _stripped(node):
    if isinstance(node, dict):
        return {name: _stripped(value) for name, value in node.items()}
    if isinstance(node, list | tuple):
        return [_stripped(value) for value in node]
    return node.strip() if isinstance(node, str) else node


def test_a_fault_names_row_column_and_mend():
    """A row's fault is told with the line of the file, the column's own name and what to do."""
    good, bad = flat(record_data()), flat(record_data())
    bad["limb.side"] = "rigth"
    bad["prosthesis.delivered_on"] = "11/16/2026"

    _, item = items(table(good, bad))
    outcome = PlanJob()(item)

    assert outcome.state == "failed"
    assert {(f.field, f.line) for f in outcome.faults} == {("limb.side", 3), ("prosthesis.delivered_on", 3)}
    assert all(fault.mend for fault in outcome.faults)
    assert "rigth" not in str(outcome.faults)
    assert "11/16" not in str(outcome.faults)


def test_a_list_may_have_gaps_and_its_columns_keep_their_names():
    """Where a row leaves out the second component, the third stays the column the person sees."""
    cells = flat(record_data())
    for name in [n for n in cells if n.startswith("prosthesis.components[2].")]:
        del cells[name]

    (item,) = items(table(cells))
    kinds = [part.kind for part in record_of(item).prosthesis.components]
    cells["prosthesis.components[3].kind"] = "wheel"
    (broken,) = items(table(cells))

    assert kinds == ["socket", "liner", "foot", "shrinker"]
    assert [f.field for f in PlanJob()(broken).faults] == ["prosthesis.components[3].kind"]


def test_what_is_common_lies_under_every_row():
    """The clinic is written once; a row adds its own and may set one entry of a list otherwise."""
    data = record_data()
    common = {"clinic": data["clinic"], "professionals": data["professionals"]}
    own = {name: cell for name, cell in flat(data).items() if name.split(".")[0].split("[")[0] not in common}
    own["professionals[1].name.family"] = "Brandt"

    (item,) = items(table(own))
    found = record_of(item, common)

    assert found.clinic.name == data["clinic"]["name"]
    assert [p.name.family for p in found.professionals] == ["Okafor", "Brandt", "Delacroix"]
    assert common["professionals"][1]["name"]["family"] == "Hartwell"


@pytest.mark.parametrize(
    ("column", "says"),
    [
        ("limb.sid", "did you mean limb.side?"),
        ("limb", "it is a group: name a field in it"),
        ("prosthesis.components[1]", "such as prosthesis.components[0].battery"),
        ("", "column 2 (line 1): has no name"),
        ("number", "stands twice"),
    ],
)
def test_a_column_that_is_no_field_is_named(column, says):
    """The top line is wrong as a whole: every column is named with its mend, and no row is guessed at."""
    with pytest.raises(InputError) as caught:
        items(f"number,{column}\n1,2\n".encode())

    assert says in str(caught.value)


def test_one_broken_row_takes_no_other_with_it():
    """An open quotation mark, other numbers of cells, other encodings: one fault each, the rest are read."""
    content = (
        b"\xef\xbb\xbfnumber,limb.side\r\n"
        b"A1,left\r\n"
        b'A2,"left\r\n'  # a quotation mark that is never closed
        b"A3,right\r\n"
        b"A4,left,right\r\n"
        b"\r\n"
        b"A5,l\xe4ft\r\n"
        b"A6\r\n"
        b'A7,"ri\r\nght"\r\n'  # a cell of two lines
        b'A8,"left"x\r\n'
        b"A9,left\r\n"
    )

    found = items(content)

    assert [i.line for i in found] == [2, 3, 4, 5, 7, 8, 9, 11, 12]
    assert [i.line for i in found if i.faults] == [3, 5, 7, 8, 11]
    assert json.loads(found[-1].data) == {"number": "A9", "limb.side": "left"}
    assert all(fault.mend and fault.line == i.line for i in found for fault in i.faults)


def test_a_line_without_end_is_passed_over():
    """A line longer than allowed is one failed item of few bytes; the next line is read."""
    stream = io.BytesIO(b'{"a": 1}\n' + b"x" * 1000 + b"\n\n" + b'{"b": 2}')

    found = list(lines_of("x.ndjson", stream, most=100))

    assert [(i.line, len(i.data), bool(i.faults)) for i in found] == [
        (1, 8, False),
        (2, 0, True),
        (4, 8, False),
    ]


def test_a_longest_line_is_a_line():
    """A line of exactly the most bytes, with and without its end, is read."""
    for content in (b"x" * 100, b"x" * 100 + b"\n"):
        (item,) = lines_of("x.ndjson", io.BytesIO(content), most=100)

        assert not item.faults
        assert len(item.data) == 100


@pytest.mark.parametrize(
    ("data", "field"),
    [
        (b"{", ""),
        (b"\xff\xfe{}", ""),
        (b"[]", ""),
        (b'{"number": "1", "numbr": 2}', "numbr"),
        (b"[" * 100_000, ""),
        (b'{"limb": {"side": NaN}}', "number"),
    ],
)
def test_whatever_a_line_holds_is_an_outcome(data, field):
    """A job never raises for what is in an item, and its faults carry the line and hold no value."""
    outcome = PlanJob()(Item("x.ndjson", 7, "line", data))

    assert outcome.state == "failed"
    assert field in {fault.field for fault in outcome.faults}
    assert {fault.line for fault in outcome.faults} == {7}


def test_a_plan_that_cannot_be_is_an_outcome():
    """An open wound gets no schedule: the item fails with the planner's words."""
    data = json.dumps(record_data({"limb.skin": ["open-wound"]})).encode()

    outcome = PlanJob()(Item("x.ndjson", 1, "line", data))

    assert outcome.state == "failed"
    assert "wound" in str(outcome.faults[0])


def test_a_broken_common_part_is_the_rows_fault():
    """What is common is held to the same rules as a row."""
    with pytest.raises(DeliveryError, match="clinic"):
        record_of(Item("x.csv", 2, "row", b'{"number": "1"}'), {"clinic": {"nam": "x"}})
