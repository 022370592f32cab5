"""Follow the patient: log, decision, revised plan. The loop closes here."""
