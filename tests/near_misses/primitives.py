"""Values and JSON that are legal and look wrong."""

from __future__ import annotations

from tests.near_misses.builders import TEXT, UNKNOWN, Case, observation, patient

PRIMITIVES: list[Case] = [
    (
        "base64 with line breaks",
        "datatypes.html#base64Binary: white space is allowed in the value",
        {"resourceType": "Binary", "contentType": "text/plain", "data": "aGVsbG8g\r\n d29ybGQ="},
    ),
    (
        "strings that begin and end with white space, or hold line breaks",
        "datatypes.html#string: tab, line feed and carriage return are allowed",
        patient(name=[{"text": " Ada\tMuster\r\n", "family": "Muster "}]),
    ),
    (
        "null beside an extension in an array of primitives",
        "json.html#primitive: nulls pair values with their extensions",
        patient(
            name=[
                {
                    "given": ["Ada", None, "Bea"],
                    "_given": [None, {"extension": [{"url": UNKNOWN, "valueBoolean": False}]}, None],
                }
            ]
        ),
    ),
    (
        "a primitive with an extension and no value",
        "extensibility.html: an extension may stand in the place of a value",
        observation(
            _effectiveDateTime={"extension": [{"url": UNKNOWN, "valueCode": "unknown"}]},
            _valueString={"id": "v", "extension": [{"url": UNKNOWN, "valueCode": "masked"}]},
        ),
    ),
    (
        "an extension on a date, with rules of its own inside",
        "extensibility.html: ext-1 is kept inside _birthDate too",
        patient(
            birthDate="1950-01-02",
            _birthDate={
                "extension": [
                    {
                        "url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
                        "valueDateTime": "1950-01-02T03:04:05+01:00",
                    }
                ]
            },
        ),
    ),
    (
        "values that are false or nothing in Python",
        "datatypes.html#boolean, #integer, #decimal: false, 0 and 0.0 are values",
        {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "a", "valueBoolean": False},
                {"name": "b", "valueInteger": 0},
                {"name": "c", "valueDecimal": 0.0},
                {"name": "d", "valueUnsignedInt": 0},
                {"name": "e", "valueInteger": -2147483648},
            ],
        },
    ),
    (
        "partial dates, far zones and fractions of a second",
        "datatypes.html#dateTime: year, year-month, date, or date, time and zone",
        {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "a", "valueDateTime": "2026"},
                {"name": "b", "valueDateTime": "2026-02"},
                {"name": "c", "valueDateTime": "2024-02-29"},
                {"name": "d", "valueDateTime": "2026-02-03T04:05:06.123456+14:00"},
                {"name": "e", "valueDateTime": "2026-02-03T23:59:59-12:00"},
                {"name": "f", "valueInstant": "2026-02-03T04:05:06Z"},
                {"name": "g", "valueTime": "23:59:59.999"},
                {"name": "h", "valueDate": "2026-02"},
                {"name": "i", "valueInstant": "2015-06-30T23:59:60Z"},
            ],
        },
    ),
    (
        "identifiers of every kind",
        "datatypes.html#id, #uri, #oid, #uuid, #canonical",
        {
            "resourceType": "Parameters",
            "id": "A-1." + "x" * 60,
            "parameter": [
                {"name": "a", "valueOid": "urn:oid:1.2.840.0.1"},
                {"name": "b", "valueUuid": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520"},
                {"name": "c", "valueUri": "urn:isbn:0451450523"},
                {"name": "d", "valueUri": "relative/path"},
                {"name": "e", "valueCanonical": "http://example.org/Questionnaire/q|1.0"},
                {"name": "f", "valueUrl": "mailto:clinic@example.org"},
                {"name": "g", "valueCode": "two words"},
                {"name": "h", "valueMarkdown": "* one\n* two & three < four"},
            ],
        },
    ),
    (
        "letters of every script",
        "datatypes.html#string: Unicode",
        patient(name=[{"family": "Мустер", "given": ["アダ", "עדה", "e\u0301", "\U0001f9bf"]}]),
    ),
    (
        "resourceType at the end",
        "json.html: the order of members has no meaning",
        {"active": True, "text": TEXT, "resourceType": "Patient"},
    ),
]

# Legal text that JSON libraries write otherwise, as it would stand in a file.
DECIMALS = b"""{"resourceType": "Parameters", "parameter": [
    {"name": "a", "valueDecimal": 1.50}, {"name": "b", "valueDecimal": -1E-3},
    {"name": "c", "valueDecimal": 0.00}, {"name": "d", "valueDecimal": 12e+2},
    {"name": "e", "valueDecimal": 100}]}"""
ESCAPES = b"""\r\n\t{ "resource\\u0054ype" :\n"Patient", "text": {"status":"generated","div":
    "\\u003cdiv xmlns=\\"http://www.w3.org/1999/xhtml\\"\\u003ex\\u003c\\/div>"}, "active" : true }\n\n"""
RAW = [
    (
        "decimals with exponents and zeros at the end",
        "datatypes.html#decimal: precision, exponents",
        DECIMALS,
    ),
    ("escapes and white space of JSON", "RFC 8259: any character may be escaped", ESCAPES),
]
