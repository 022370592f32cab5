"""Bundle ↔ FHIR servers: plans out, orders in, goals both ways."""
