"""Resources that come close to breaking an invariant and keep it."""

from __future__ import annotations

from tests.near_misses.builders import TEXT, XHTML, A, Case, observation, patient, quantity, questionnaire

RULES: list[Case] = [
    (
        "a period within one day, one part known better than the other",
        "per-1; FHIRPath 6.2: what the precision does not tell is not false",
        patient(name=[{"text": "a", "period": {"start": "2015-01", "end": "2015-01-01T00:00:00Z"}}]),
    ),
    (
        "a period across time zones",
        "per-1: compared as instants",
        patient(
            name=[
                {
                    "text": "a",
                    "period": {"start": "2015-03-04T10:30:00+02:00", "end": "2015-03-04T10:00:00+01:00"},
                }
            ]
        ),
    ),
    (
        "a range in two units",
        "rng-2: quantities compare through their units",
        observation(valueRange={"low": quantity(90, "cm"), "high": quantity(1, "m")}),
    ),
    (
        "a mealtime offset at two meals",
        "tim-9: when repeats",
        {
            "resourceType": "ServiceRequest",
            "text": TEXT,
            "status": "active",
            "intent": "order",
            "subject": {"display": "somebody"},
            "occurrenceTiming": {"repeat": {"offset": 30, "when": ["ACM", "PCV"]}},
        },
    ),
    (
        "an answer that must exist",
        "que-7: a FHIR boolean",
        questionnaire(
            {"linkId": "1", "type": "string"},
            {
                "linkId": "2",
                "type": "string",
                "enableWhen": [{"question": "1", "operator": "exists", "answerBoolean": False}],
            },
        ),
    ),
    (
        "a value set inside, pointed at by a canonical",
        "dom-3: canonicals point too",
        questionnaire(
            {"linkId": "1", "type": "choice", "answerValueSet": "#v"},
            contained=[{"resourceType": "ValueSet", "id": "v", "status": "draft"}],
        ),
    ),
    (
        "a contained resource that points at its container and is pointed at by nothing",
        "dom-3, ref-1; references.html#contained: '#' is the container",
        patient(
            contained=[
                {
                    "resourceType": "Provenance",
                    "id": "p",
                    "target": [{"reference": "#"}],
                    "recorded": "2026-01-02T03:04:05Z",
                    "agent": [{"who": {"display": "clinic"}}],
                }
            ]
        ),
    ),
    (
        "a contained resource pointed at by another",
        "dom-3: from elsewhere in the resource",
        observation(
            contained=[
                {"resourceType": "Organization", "id": "o", "name": "Clinic"},
                {
                    "resourceType": "PractitionerRole",
                    "id": "r",
                    "organization": {"reference": "#o"},
                },
            ],
            performer=[{"reference": "#r"}],
        ),
    ),
    (
        "a practitioner on behalf of an organization, contained or elsewhere",
        "ctm-1: resolve() where it can",
        {
            "resourceType": "CareTeam",
            "text": TEXT,
            "contained": [{"resourceType": "Practitioner", "id": "p"}],
            "participant": [
                {"member": {"reference": "#p"}, "onBehalfOf": {"reference": "Organization/1"}},
                {"member": {"reference": "Practitioner/1"}, "onBehalfOf": {"display": "Clinic"}},
                {"member": {"reference": A}, "onBehalfOf": {"display": "Clinic"}},
            ],
        },
    ),
    (
        "an encounter diagnosis without clinical status",
        "con-3 is about problem list items",
        {
            "resourceType": "Condition",
            "text": TEXT,
            "category": [
                {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/condition-category",
                            "code": "encounter-diagnosis",
                        }
                    ]
                }
            ],
            "subject": {"display": "somebody"},
        },
    ),
    (
        "an amount with a unit in words, or in a system of its own",
        "qty-3: a system is needed only with a code",
        observation(
            valueQuantity={"value": 5, "unit": "ply"},
            component=[
                {
                    "code": {"text": "b"},
                    "valueQuantity": {"value": 5, "system": "http://example.org/units", "code": "Ply!"},
                }
            ],
        ),
    ),
    (
        "units with annotations, arbitrary and special ones",
        "ucum.org: {score}, {steps}/d, [iU] and Cel are units",
        observation(
            component=[
                {"code": {"text": code}, "valueQuantity": quantity(1, code)}
                for code in (
                    "{score}",
                    "{ply}",
                    "{steps}/d",
                    "[iU]/mL",
                    "Cel",
                    "%",
                    "1",
                    "10*3/uL",
                    "mm[Hg]",
                    "/min",
                )
            ]
        ),
    ),
    (
        "codes of systems that cannot be held",
        "terminologies.html: a code unknown here is not wrong",
        observation(
            code={
                "coding": [
                    {"system": "http://snomed.info/sct", "code": "128045006:{363698007=56459004}"},
                    {"system": "http://loinc.org", "code": "72514-3"},
                    {"system": "http://example.org/codes", "code": "made up"},
                    {"code": "no system"},
                    {"display": "no code"},
                ]
            }
        ),
    ),
    (
        "a narrative with numbers for characters, an image inside and a comment",
        "narrative.html",
        patient(
            contained=[{"resourceType": "Binary", "id": "i", "contentType": "image/png", "data": "AAAA"}],
            photo=[{"contentType": "image/png", "url": "#i"}],
            text={
                "status": "additional",
                "div": f"<div xmlns='{XHTML}' xml:lang='en'><!-- c -->&#160;&lt;3 <img src='#i' alt='x'/>"
                '<a href="#below">see</a><p id="below" style="color: red">below</p></div>',
            },
        ),
    ),
]
