"""Which elements of another system's resources are told, and in which order.

One row a resource type; ``detail`` is CarePlan.activity.detail. A step with ``[]`` opens an array. What is in
no row is named as unread. Left out on purpose: Appointment.comment, which R4 calls internal, and medication
requests, whose dosage must be told whole or not at all.
"""

from __future__ import annotations

TITLE: dict[str, tuple[str, ...]] = {
    "detail": ("code", "description", "scheduledString"),
    "ServiceRequest": ("code", "patientInstruction"),
    "CommunicationRequest": ("payload[].contentString", "reasonCode"),
    "Task": ("description", "code"),
    "Appointment": ("description", "serviceType", "appointmentType", "reasonCode"),
    "Goal": ("description",),
    "Condition": ("code",),
    "AllergyIntolerance": ("code",),
    "Flag": ("code",),
    "Observation": ("code",),
    "Device": ("deviceName[].name", "type"),
    "DeviceUseStatement": ("device",),
    "DocumentReference": ("description", "content[].attachment.title", "type"),
    "CarePlan": ("title",),
    "Composition": ("title",),
}
"""What a resource is called on the page: the first of these elements that says something."""

FACTS: dict[str, tuple[str, ...]] = {
    "detail": (
        "status", "statusReason", "description", "scheduledTiming", "scheduledPeriod", "scheduledString",
        "location", "performer", "reasonCode", "reasonReference", "productCodeableConcept",
        "productReference", "dailyAmount", "quantity", "goal",
    ),
    "ServiceRequest": (
        "status", "patientInstruction", "occurrenceTiming", "occurrencePeriod", "occurrenceDateTime",
        "asNeededBoolean", "asNeededCodeableConcept", "quantityQuantity", "bodySite", "performer",
        "reasonCode", "reasonReference", "locationCode", "authoredOn", "requester", "note",
    ),
    "CommunicationRequest": ("status", "occurrenceDateTime", "occurrencePeriod", "reasonCode", "note"),
    "Task": ("status", "executionPeriod", "authoredOn", "owner", "note"),
    "Appointment": (
        "status", "start", "end", "minutesDuration", "requestedPeriod", "serviceType", "appointmentType",
        "specialty", "reasonCode", "reasonReference", "patientInstruction", "participant[].actor",
        "cancelationReason",
    ),
    "Goal": (
        "lifecycleStatus", "achievementStatus", "startDate", "startCodeableConcept", "priority", "statusDate",
        "statusReason", "expressedBy", "addresses", "note",
    ),
    "Condition": (
        "clinicalStatus", "verificationStatus", "severity", "bodySite", "onsetDateTime", "onsetPeriod",
        "onsetString", "onsetAge", "abatementDateTime", "recordedDate", "note",
    ),
    "AllergyIntolerance": ("clinicalStatus", "verificationStatus", "criticality", "onsetDateTime", "note"),
    "Flag": ("status", "category", "period"),
    "Observation": (
        "status", "valueQuantity", "valueCodeableConcept", "valueString", "valueBoolean", "valueInteger",
        "valueRange", "valueDateTime", "valueTime", "valuePeriod", "effectiveDateTime", "effectivePeriod",
        "interpretation", "bodySite", "note",
    ),
    "Device": (
        "status", "type", "manufacturer", "modelNumber", "partNumber", "serialNumber", "lotNumber",
        "manufactureDate", "expirationDate", "note",
    ),
    "DeviceUseStatement": ("status", "timingPeriod", "timingDateTime", "timingTiming", "bodySite", "note"),
    "DocumentReference": ("status", "type", "category", "date", "author", "content[].attachment.title",
        "content[].attachment.contentType"),
    "CarePlan": (
        "status", "intent", "category", "description", "period", "created", "author", "contributor", "note",
    ),
    "Composition": ("status", "type", "date", "author"),
}  # fmt: skip
"""What else is told of a resource, in order."""
CODES = {"status", "intent", "lifecycleStatus", "criticality", "clinicalStatus", "verificationStatus"}
"""Elements whose value is a code of FHIR's own, to be put in words."""
